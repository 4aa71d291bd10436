package setup

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"weighpost/gateway/config"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// findLayout listens, and finds a layout for what came: the given one, one that another balance has, or a new one.
func (g *guide) findLayout(ctx context.Context) (asked bool, err error) {
	g.layout, g.text, g.file = nil, nil, ""
	if g.given.Layout != "" {
		if err := g.readLayout(g.given.Layout); err != nil {
			return false, err
		}
	}
	if g.heard == nil && (g.layout == nil || !g.given.Yes) {
		if err := g.listen(ctx); err != nil {
			return true, err
		}
	}
	if g.layout != nil {
		return true, g.tryLayout(ctx)
	}
	if !g.given.Accept {
		if taken, err := g.takeKnown(ctx); taken || err != nil {
			return true, err
		}
	}
	err = g.learn(ctx)
	if errors.Is(err, errUnlearnt) {
		return true, g.unlearnt(ctx, err)
	}
	return true, err
}

// errUnlearnt is wrapped by the reasons why no layout came out of learning.
var errUnlearnt = errors.New("give a layout (--layout), or try it with other lines")

// unlearnt asks what to do where no layout was learnt.
func (g *guide) unlearnt(ctx context.Context, why error) error {
	q := Question{Key: "unlearnt", Text: sentence(why.Error()), Default: "again", Choices: []Choice{{"again", "listen to other lines"}}}
	if !g.tools.NoFiles {
		q.Choices = append(q.Choices, Choice{"file", "read them by a layout in a file"})
	}
	answer, err := g.p.Ask(ctx, q)
	switch {
	case errors.Is(err, ErrNobody):
		return why
	case err != nil:
		return err
	case answer == "again":
		return jump(stepLayout)
	}
	path, err := g.ask(ctx, Question{Key: "layout-file", Text: "The path of the layout"}, "no layout is known: give it (--layout)")
	if err != nil {
		return err
	}
	if err := g.readLayout(path); err != nil {
		g.p.Tell(sentence(err.Error()))
		return g.unlearnt(ctx, why)
	}
	return g.tryLayout(ctx)
}

// listen takes down some lines, until there are any.
func (g *guide) listen(ctx context.Context) error {
	o := ListenOptions{Lines: g.given.Lines, For: g.given.For, Poll: g.poll}
	text := "Print several different loads at the balance: ten lines tell most, and a negative weight and one that has not settled help."
	if g.poll != nil {
		text = "The balance is asked every second. Put several different loads on, one after another: ten lines tell most, and a " +
			"negative weight and one that has not settled help."
	}
	if o.Lines == 0 && o.For == 0 {
		if g.given.Yes {
			o.Lines, o.For = aloneLines, aloneFor
		} else {
			text += " Press Enter when it is enough."
		}
	}
	for {
		got, err := ListenWith(ctx, g.tools.Open, g.port, g.p, text, o)
		if err != nil {
			return err
		}
		if len(got.Sample.Bytes) > 0 {
			g.heard = got
			if got.Damaged > 0 {
				g.p.Tell(fmt.Sprintf("%d characters came damaged, and the %d lines with them are left out. If this goes on, the "+
					"settings of the port are wrong: go back.", got.Damaged, got.LeftOut))
			}
			return nil
		}
		if o.For > 0 {
			return fmt.Errorf("nothing came from %s within %s: press the balance's print key meanwhile, or see whether weighpost settings "+
				"finds the port's settings",
				g.port.Address, o.For)
		}
		g.p.Tell("Nothing came.")
	}
}

// readLayout reads a layout from a file.
func (g *guide) readLayout(path string) error {
	src, err := config.ReadFile(path)
	if err != nil {
		return fmt.Errorf("the layout cannot be read: %w", err)
	}
	if g.layout, err = layout.Parse(path, src); err != nil {
		return fmt.Errorf("the layout has mistakes: %w", err)
	}
	g.file = g.relative(path)
	return nil
}

// relative is a path as it stands in the configuration: from its folder on where the file lies in it.
func (g *guide) relative(path string) string {
	folder, err1 := filepath.Abs(filepath.Dir(g.given.Config))
	abs, err2 := filepath.Abs(path)
	if err1 != nil || err2 != nil {
		return path
	}
	if rel, err := filepath.Rel(folder, abs); err == nil && filepath.IsLocal(rel) {
		return filepath.ToSlash(rel)
	}
	return abs
}

// tryLayout shows how a layout reads what was heard. Lines that it does not read are the person's to judge.
func (g *guide) tryLayout(ctx context.Context) error {
	if g.heard == nil {
		return nil
	}
	text, read, of := readings(g.layout, g.heard)
	g.p.Listing(text)
	g.p.Lines(seen(g.layout, g.heard.Sample))
	if read == of && of > 0 {
		g.p.Tell(fmt.Sprintf("The layout reads all of %d lines.", of))
		return nil
	}
	problem := fmt.Sprintf("The layout reads %d of %d lines.", read, of)
	if read == 0 {
		return errors.New(problem + " It is not that of this balance, or the port's settings are not: learn one (weighpost learn)")
	}
	_, err := g.ask(ctx, Question{Key: "fits", Text: problem + " A line that was cut off when listening began does not matter; others do.",
		Default: "yes", Choices: []Choice{{"yes", "go on with this layout"}}}, problem+" Give another layout (--layout), or learn one")
	return err
}

// most lines of a list that is shown.
const mostListed = 12

// readings reads what was heard by a layout, for a person to see.
func readings(l *layout.Layout, heard *Captured) (text string, read, of int) {
	var b strings.Builder
	var r layout.Reading
	each(l, heard.Sample, func(f frame.Frame) {
		of++
		err := l.Apply(f, &r)
		if err == nil {
			read++
		}
		switch {
		case of > mostListed:
		case err != nil:
			fmt.Fprintf(&b, "%4d  unread: %v\n", of, err)
		default:
			fmt.Fprintf(&b, "%4d  %s\n", of, inWords(&r))
		}
	})
	if of > mostListed {
		fmt.Fprintf(&b, "      and %d more\n", of-mostListed)
	}
	return strings.TrimRight(b.String(), "\n"), read, of
}

// takeKnown offers a layout that another balance of the configuration has and that reads every line.
func (g *guide) takeKnown(ctx context.Context) (bool, error) {
	if g.config == nil {
		return false, nil
	}
	q := Question{Key: "layout", Text: "This reads every line already:", Default: learnNew}
	by := map[string]*layout.Layout{}
	for _, b := range g.config.Balances {
		l := g.config.Layout(b.ID)
		if l == nil || by[b.Layout] != nil {
			continue
		}
		if _, read, of := readings(l, g.heard); read == of && of > 0 {
			by[b.Layout] = l
			q.Choices = append(q.Choices, Choice{b.Layout, "the layout of balance " + b.ID})
		}
	}
	if len(by) == 0 {
		return false, nil
	}
	q.Choices = append(q.Choices, Choice{learnNew, "a layout of its own, learnt from these lines"})
	answer, err := g.p.Ask(ctx, q)
	if errors.Is(err, ErrNobody) || answer == learnNew {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	g.layout, g.file = by[answer], answer
	return true, g.tryLayout(ctx)
}

const learnNew = "learn"

// inShort are the lines of a layout that say how it reads.
func inShort(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(strings.TrimSpace(line), "#") && !strings.HasPrefix(line, "about:") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// indent sets off a text from what is told around it.
func indent(text string) string {
	return "  " + strings.TrimSuffix(strings.ReplaceAll(text, "\n", "\n  "), "  ")
}

// learn works out a layout, with the person's answers.
func (g *guide) learn(ctx context.Context) error {
	var asked Person = g.p
	if g.given.Accept {
		asked = Nobody{}
	}
	l, err := Learn(ctx, asked, g.heard.Sample, g.given.Answers)
	if err != nil {
		return err
	}
	if len(l.Candidates) == 0 {
		return fmt.Errorf("no layout was learnt from these lines (%s): %w", strings.TrimSuffix(l.Why, "."), errUnlearnt)
	}
	taken := g.given.Accept
	if !taken {
		if taken, err = l.Take(ctx, g.p); err != nil {
			return err
		}
	}
	if !taken {
		return fmt.Errorf("%d questions about the lines are open, and the best layout was not taken with its doubts (--accept takes it): %w",
			len(l.Open), errUnlearnt)
	}
	g.text = l.Candidates[0].Layout
	if g.layout, err = layout.Parse("the learnt layout", g.text); err != nil {
		return fmt.Errorf("the learnt layout cannot be used: %w", err)
	}
	text, read, of := readings(g.layout, g.heard)
	g.p.Lines(learntSoFar(l.Result))
	g.p.Listing("Learnt:\n\n" + indent(inShort(string(g.text))) + "\nIt reads\n" + text)
	g.p.Tell(fmt.Sprintf("%d of %d lines; confidence %.2f of 1.", read, of, l.Candidates[0].Confidence))
	for _, d := range l.Candidates[0].Doubts {
		g.p.Listing("Doubt: " + d.Text)
	}
	return nil
}
