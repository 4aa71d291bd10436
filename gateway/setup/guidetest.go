package setup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

// test has the balance print once more, and the person compare the reading with the display.
func (g *guide) test(ctx context.Context) (asked bool, err error) {
	if g.given.Yes {
		g.p.Tell("Not compared with the display (--yes): do so with the first weighings.")
		return false, nil
	}
	for {
		text := "Put a load on, let it settle, and press the print key."
		if g.poll == nil {
			g.p.Listing(text)
		} else if err := g.loaded(ctx); err != nil {
			return true, err
		} else {
			text = "The balance is asked."
		}
		if err := g.waiting(ctx, text, g.oneReading); err != nil {
			return true, err
		}
		answer, err := g.ask(ctx, Question{Key: "compare", Default: "again", Text: "Is that what the display shows, digit for digit, with its sign and unit?",
			Choices: []Choice{{"yes", "yes"}, {"again", "try again with another load"}, {"no", "no: back to the layout"}}},
			"nobody compared the reading with the display: say --yes to go without")
		switch {
		case err != nil:
			return true, err
		case answer == "yes":
			return true, nil
		case answer == "no":
			return true, jump(stepLayout)
		}
	}
}

// loaded waits until the person says that there is something to be asked for.
func (g *guide) loaded(ctx context.Context) error {
	_, err := g.ask(ctx, Question{Key: "loaded", Text: "Put a load on, let it settle, and press Enter: then the balance is asked."},
		"nobody compared the reading with the display: say --yes to go without")
	return err
}

// oneReading waits for one frame that reads, and shows it and what does not.
func (g *guide) oneReading(ctx context.Context) error {
	p, err := g.tools.Open(ctx, g.port)
	if err != nil {
		return err
	}
	defer p.Close()
	splitter := g.layout.Splitter()
	pause := max(leastPause, g.layout.IdleGap())
	done := false
	var r layout.Reading
	emit := func(f frame.Frame) {
		if done {
			return
		}
		if err := g.layout.Apply(f, &r); err != nil {
			g.p.Tell("Unread: " + err.Error())
			return
		}
		done = true
		g.p.Reads(inWords(&r))
	}
	buf := make([]byte, 4096)
	var asked time.Time
	for !done {
		if g.poll != nil && time.Since(asked) >= pollEvery {
			asked = time.Now()
			if _, err := p.Write(g.poll); err != nil {
				return fmt.Errorf("the balance cannot be asked: %w", err)
			}
		}
		if err := context.Cause(ctx); err != nil {
			return err
		}
		if err := p.SetReadDeadline(time.Now().Add(pause)); err != nil {
			return fmt.Errorf("the port cannot be read: %w", err)
		}
		n, err := p.Read(buf)
		splitter.Push(buf[:n], emit)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			splitter.Idle(emit)
		case err != nil && n == 0 && !errors.Is(err, port.ErrBreak):
			return fmt.Errorf("the port cannot be read any more: %w", err)
		}
	}
	return nil
}

// inWords is a reading as it would be recorded.
func inWords(r *layout.Reading) string {
	v := record.ValueOf(r)
	digits := v.Digits
	if digits == "" {
		digits = v.Range + " range"
	}
	parts := []string{strings.TrimSpace(digits + " " + v.Unit)}
	for _, word := range []string{v.Kind, v.Stability} {
		if word != "" && word != "unknown" {
			parts = append(parts, word)
		}
	}
	for _, more := range []struct{ what, text string }{{"person", r.Person()}, {"sample", r.Sample()}, {"balance", r.Balance()}, {"count", r.Count()},
		{"range", r.RangeNumber()}, {"date", r.Date()}, {"time", r.Time()}, {"check", r.CheckState()}} {
		if more.text != "" {
			parts = append(parts, more.what+" "+more.text)
		}
	}
	return strings.Join(parts, ", ")
}

// write shows the block, and adds it.
func (g *guide) write(ctx context.Context) (asked bool, err error) {
	g.balance.Layout = g.layoutFile()
	a := Addition{Config: g.given.Config, Balance: g.balance, Layout: g.text, Past: g.tools.Past}
	if g.config == nil {
		if asked, err = g.askNew(ctx, &a); err != nil {
			return asked, err
		}
	}
	if err := g.declined(g.tools.Keep.Check(ctx, a)); err != nil {
		return asked, g.refused(err)
	}
	layout := ""
	if g.text != nil {
		layout = filepath.Join(filepath.Dir(g.given.Config), g.balance.Layout)
	}
	g.p.Summary(g.given.Config, config.BalanceBlock(g.balance), layout)
	if g.given.Yes {
		g.added, err = g.tools.Keep.Write(ctx, a)
		return asked, err
	}
	for g.added == nil {
		if err := g.agreed(ctx); err != nil {
			return true, err
		}
		g.added, err = g.tools.Keep.Write(ctx, a)
		if err = g.declined(err); err != nil {
			return true, g.refused(err)
		}
	}
	return true, nil
}

// agreed returns once the person has agreed to the change.
func (g *guide) agreed(ctx context.Context) error {
	answer, err := g.ask(ctx, Question{Key: "write", Text: "Write it?", Default: "yes", Choices: []Choice{{"yes", "write it"}, {"no", "write nothing"}}},
		"nobody agreed to the change: say --yes")
	if err == nil && answer == "no" {
		err = ErrStopped
	}
	return err
}

// declined tells why nothing can be written now. Other errors it gives back.
func (g *guide) declined(err error) error {
	var d *Declined
	if !errors.As(err, &d) || g.given.Yes {
		return err
	}
	g.p.Tell(sentence(d.Why))
	return nil
}

// refused tells why the balance cannot be added. Where somebody is there to give another id, it is asked again.
func (g *guide) refused(err error) error {
	if errors.Is(err, config.ErrByHand) {
		g.p.Tell("This is the block for the list balances:\n\n" + indent(config.BalanceBlock(g.balance)))
	}
	var faults strict.Faults
	about := errors.Is(err, ErrIDUsed)
	if errors.As(err, &faults) {
		about = strings.HasSuffix(faults[0].Path, ".id")
	}
	if !about || g.given.Yes {
		return err
	}
	g.p.Tell(sentence(err.Error()))
	return jump(stepPlate)
}

// askNew asks for what a new configuration needs.
func (g *guide) askNew(ctx context.Context, a *Addition) (asked bool, err error) {
	a.Site, a.Journal = g.given.Site, g.given.Journal
	if a.Site == "" {
		asked = true
		g.p.Tell("There is no " + g.given.Config + " yet: it is made.")
		_, err := g.field(ctx, "site", "", "The name of the site, which begins every id, for ever (a to z, 0 to 9 and -), such as north-lab.", "",
			func(s string) error { a.Site = s; return record.CheckName(s) })
		if err != nil {
			return asked, err
		}
	}
	if a.Journal == "" {
		was, err := g.field(ctx, "journal", "", "The folder of the journal, on a disk of this computer.", journalFolder(g.given.Config),
			func(s string) error {
				if a.Journal = s; s == "" {
					return errors.New("the journal needs a folder")
				}
				return nil
			})
		return asked || was, err
	}
	return asked, nil
}

// journalFolder is the usual place of the journal: beside the configuration, or where services keep theirs.
func journalFolder(configuration string) string {
	if strings.HasPrefix(configuration, "/etc/") {
		return "/var/lib/weighpost"
	}
	return "journal"
}
