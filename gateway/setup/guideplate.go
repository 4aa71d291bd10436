package setup

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"weighpost/gateway/intake"
	"weighpost/gateway/record"
)

// none is the answer that leaves something out.
const none = "-"

// askPlate asks for what stands on the balance, and for what it is called.
func (g *guide) askPlate(ctx context.Context) (asked bool, err error) {
	b := intake.Config{Port: g.port}
	given := g.given.Balance
	fields := []struct {
		key, given, text, proposal string
		take                       func(string) error
	}{
		{"id", given.ID, "The balance's id: its name in records, for ever (a to z, 0 to 9 and -).", g.freeID(),
			func(s string) error { return g.takeID(&b, s) }},
		{"serial", given.Serial, "The serial number on its plate (- for none).", none, func(s string) error { b.Serial = s; return nil }},
		{"place", given.Place, "Where it stands (- for nothing).", none, func(s string) error { b.Place = s; return nil }},
		{"capacity", given.Capacity, "Its capacity, with unit, such as 220 g (- for not known).", none,
			func(s string) (err error) { b.Capacity, err = quantity(s); return }},
		{"readability", given.Readability, "Its readability d, the last step of its display, with unit (- for not known).", g.proposal(),
			func(s string) (err error) { b.Readability, err = quantity(s); return }},
	}
	var before []int // the fields that were asked
	for i := 0; i < len(fields); {
		f := fields[i]
		was, err := g.field(ctx, f.key, f.given, f.text, f.proposal, f.take)
		if n := len(before); errors.Is(err, errBack) && n > 0 {
			i, before = before[n-1], before[:n-1]
			continue
		}
		if err != nil {
			return true, err
		}
		if was {
			before = append(before, i)
		}
		i++
	}
	asked = len(before) > 0
	b.Record.Kind = g.given.Record
	if g.poll != nil {
		b.Ask = &intake.AskConfig{Send: intake.Bytes(g.poll)}
		was, err := g.askEvery(ctx, &b)
		asked = asked || was
		if err != nil {
			return asked, err
		}
	}
	if g.given.Record == "" && g.poll == nil && g.streams() {
		was, err := g.askRecord(ctx, &b)
		asked = asked || was
		if err != nil {
			return asked, err
		}
	}
	g.balance = b
	return asked, nil
}

func quantity(s string) (intake.Quantity, error) {
	if s == "" {
		return intake.Quantity{}, nil
	}
	return intake.ParseQuantity(s)
}

// field takes what is given, or asks until an answer can be used.
func (g *guide) field(ctx context.Context, key, given, text, proposal string, take func(string) error) (asked bool, err error) {
	clean := func(s string) string {
		if s = strings.TrimSpace(s); s == none {
			return ""
		}
		return s
	}
	if given == "" && g.given.Yes && key != "id" {
		given = proposal
	}
	if given != "" {
		if err := take(clean(given)); err != nil {
			return false, fmt.Errorf("the %s: %w", key, err)
		}
		return false, nil
	}
	for {
		answer, err := g.ask(ctx, Question{Key: key, Text: text, Default: proposal},
			fmt.Sprintf("the %s is not known: give it (--%s)", key, key))
		if err != nil {
			return true, err
		}
		if err = take(clean(answer)); err == nil {
			return true, nil
		}
		g.p.Tell(sentence(err.Error()))
	}
}

func (g *guide) takeID(b *intake.Config, id string) error {
	if err := record.CheckName(id); err != nil {
		return err
	}
	if g.config != nil {
		for _, other := range g.config.Balances {
			if other.ID == id {
				return fmt.Errorf("%s is the id of another balance in the configuration: choose one that was never used", id)
			}
		}
	}
	b.ID = id
	return nil
}

// freeID is the first of b-1, b-2 … that no balance of the configuration has, counted from behind the last one.
func (g *guide) freeID() string {
	n := 0
	if g.config != nil {
		for _, b := range g.config.Balances {
			if digits, ok := strings.CutPrefix(b.ID, "b-"); ok {
				if i, err := strconv.Atoi(digits); err == nil && i < 1_000_000 {
					n = max(n, i)
				}
			}
		}
	}
	return fmt.Sprintf("b-%d", n+1)
}

// proposal is the readability that the lines show.
func (g *guide) proposal() string {
	if g.heard != nil && g.layout != nil {
		if d := Readability(g.layout, g.heard.Sample); d != "" {
			return d
		}
	}
	return none
}

// streams says whether the balance seems to print without being asked: faster than a person presses a key.
func (g *guide) streams() bool {
	if g.heard == nil || g.layout == nil {
		return false
	}
	_, read, _ := readings(g.layout, g.heard)
	return read >= 5 && g.heard.Span.Seconds()/float64(read-1) < 0.5
}

func (g *guide) askRecord(ctx context.Context, b *intake.Config) (asked bool, err error) {
	if b.Readability.IsZero() {
		g.p.Tell("The balance seems to print all the time. Each line is recorded then; with a readability it could be recorded when a load " +
			"has settled.")
		return false, nil
	}
	b.Record.Kind = intake.Printed
	if g.given.Yes {
		return false, nil
	}
	b.Record.Kind, err = g.ask(ctx, Question{Key: "record", Default: intake.Settling,
		Text: fmt.Sprintf("The balance seems to print without being asked (%d lines in %.0f s). What is recorded?",
			g.heard.Lines, g.heard.Span.Seconds()),
		Choices: []Choice{{intake.Settling, "a weight once it has settled"}, {intake.Printed, "each line"}}},
		"what is recorded is not known: say it (--record)")
	return true, err
}

// askEvery asks how often the balance is asked. What it answers by itself is recorded once it has settled, where that can be.
func (g *guide) askEvery(ctx context.Context, b *intake.Config) (asked bool, err error) {
	text := "How often the daemon asks the balance, such as 2s (- for only on request)."
	return g.field(ctx, "every", g.given.Every, text, none, func(s string) error {
		if b.Ask.Every = 0; s == "" {
			return nil
		}
		if err := b.Ask.Every.UnmarshalText([]byte(s)); err != nil {
			return err
		}
		if b.Record.Kind == "" && !b.Readability.IsZero() {
			b.Record.Kind = intake.Settling
		}
		return nil
	})
}

// layoutFile is where the layout goes: as it stands in the configuration.
func (g *guide) layoutFile() string {
	if g.file != "" {
		return g.file
	}
	for n := 1; ; n++ {
		name := "layouts/" + g.balance.ID + ".yaml"
		if n > 1 {
			name = fmt.Sprintf("layouts/%s-%d.yaml", g.balance.ID, n)
		}
		if !exists(filepath.Join(filepath.Dir(g.given.Config), name)) {
			return name
		}
	}
}
