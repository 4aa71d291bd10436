package setup

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

// elsewhere is the choice of a port that is not in the list.
const elsewhere = "other"

// choosePort finds out where the balance is plugged in.
func (g *guide) choosePort(ctx context.Context) (asked bool, err error) {
	if g.given.Port.Address != "" {
		if err := checkPort(g.given.Port); err != nil {
			return false, err
		}
		g.port = g.given.Port
		g.p.Tell("The port is " + g.port.Address + ".")
		return false, nil
	}
	found, err := g.tools.List(ctx)
	if err != nil {
		return true, fmt.Errorf("the ports of this computer cannot be listed: %w", err)
	}
	q := Question{Key: "port", Text: "Which port is the balance plugged in to?"}
	if len(found) == 0 {
		q.Text = "This computer shows no serial port. If the balance is on a USB adapter, plug it in, and go back."
	}
	for _, f := range found {
		free := f.Holder == "" && g.owner(f) == ""
		q.Choices = append(q.Choices, Choice{f.Address, g.describe(f)})
		if free && q.Default == "" && !f.HolderUnsure {
			q.Default = f.Address
		}
	}
	q.Choices = append(q.Choices, Choice{elsewhere, "another: a device server, or a name of your own"})
	for {
		answer, err := g.ask(ctx, q, "the port is not known: name it (--port)")
		if err != nil {
			return true, err
		}
		if answer == elsewhere {
			answer, err = g.ask(ctx, Question{Key: "address",
				Text: "Its address: a device such as /dev/ttyS0 or COM3, tcp://host:port, or rfc2217://host:port"},
				"the port is not known: name it (--port)")
			if err != nil {
				return true, err
			}
		}
		c := port.Config{Address: answer}
		if err := checkPort(c); err != nil {
			g.p.Tell(sentence(err.Error()))
			continue
		}
		if g.tools.Refuse != nil {
			if err := g.tools.Refuse(ctx, c.Address); err != nil {
				g.p.Tell(sentence(err.Error()))
				continue
			}
		}
		g.port = c
		g.p.Line(c)
		for _, f := range found {
			if f.Address == answer && f.Note != "" {
				g.p.Tell("Note: " + f.Note)
			}
		}
		return true, nil
	}
}

// describe says what a port is, and why it may be the wrong one.
func (g *guide) describe(f port.Found) string {
	parts := []string{cmp.Or(f.Description, f.Kind)}
	if f.Device != f.Address {
		parts = append(parts, f.Device)
	}
	if id := g.owner(f); id != "" {
		parts = append(parts, "balance "+id+" in the configuration")
	}
	if f.Holder != "" {
		parts = append(parts, "open in "+f.Holder)
	}
	return strings.Join(parts, ", ")
}

// owner is the balance that has a port in the configuration, "" for none.
func (g *guide) owner(f port.Found) string {
	if g.config == nil {
		return ""
	}
	for _, name := range append([]string{f.Address, f.Device}, f.Names...) {
		for _, b := range g.config.Balances {
			if b.Port.Address == name {
				return b.ID
			}
		}
	}
	return ""
}

// checkPort says what is wrong with the settings of a port.
func checkPort(c port.Config) error {
	r := strict.NewReport("")
	c.Check(r)
	if faults := r.Faults(); len(faults) > 0 {
		f := faults[0]
		return fmt.Errorf("the port: %s: %s", strings.TrimPrefix(f.Path, "."), f.What)
	}
	return nil
}
