package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
	"unicode"

	"weighpost/gateway/config"
	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/gateway/setup"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
)

type learnCommand struct {
	Source  string        `arg:"" name:"port-or-file" help:"A port, or a file with the bytes of a balance as received; - for standard input."`
	Hint    []string      `sep:"none" placeholder:"KEY=ANSWER" help:"What you know, such as display='12.3450 g' for what the display showed. May be given again."`
	Answers string        `placeholder:"FILE" help:"What you know, in a YAML file."`
	Accept  bool          `help:"Ask nothing: take the best explanation, and list every doubt."`
	Out     string        `short:"o" placeholder:"FILE" help:"Write the layout to a file that is not there yet; - for standard output alone."`
	Replace bool          `help:"Let --out take the place of a file."`
	Against string        `placeholder:"FILE" help:"Learn nothing: say which lines a layout does not fit, and why."`
	JSON    bool          `help:"Print one JSON object."`
	Lines   int           `placeholder:"N" help:"Listen to the port until so many lines have come."`
	For     time.Duration `placeholder:"TIME" help:"Listen to the port for so long, such as 30s."`
	Poll    string        `placeholder:"TEXT" help:"Ask the balance every second with this, such as 'P\\r\\n' or '\\x05'. Nothing else is ever sent."`
	portFlags
}

// Help is what the command tells beyond its one line.
func (learnCommand) Help() string {
	return `From three printed lines on; ten with different weights, also a negative and an unsettled one, tell much more. What the bytes
do not say is asked, and what is not known stays open. Where nobody can be asked, open questions on which a reading depends are
listed, nothing is written, and the exit status is 1, unless --accept takes the best explanation as it is.

Hints, and the keys of the questions:
  display='12.3450 g'   the display showed this when one of the lines came
  display:3='1.2 g'     the display showed this when line 3 came
  settled:3=yes         the weight was settled when line 3 came
  word:rest=stable      what a printed word means: stable, unstable, gross,
                        net, tare, over, under, ignore, a unit …
  unit=g                the unit of a balance that prints none
  date=day.month.year   the order of the printed date
  decimal=comma         what stands before the decimals
  check=xor             the kind of check; none where there is none
  number=2              which number of the line is the weight
  text:1=sample         what a text is: sample, person, balance, ignore …

Compare the readings with the display before you rely on a layout, also for a negative weight and an overload.`
}

// Validate refuses what does not go together.
func (c learnCommand) Validate() error {
	listens := c.Lines != 0 || c.For != 0 || c.Poll != "" || c.portFlags != portFlags{}
	switch {
	case c.Against != "" && (c.Out != "" || c.Accept || c.Answers != "" || len(c.Hint) > 0):
		return errors.New("--against learns nothing: leave out --out, --accept, --answers and --hint")
	case c.Replace && c.Out == "":
		return errors.New("--replace is about the file of --out: name one")
	case c.JSON && c.Out == "-":
		return errors.New("--json and --out - both want standard output: give one")
	case c.Lines < 0 || c.For < 0:
		return errors.New("--lines and --for count upwards: give a number above zero")
	case listens && !isPort(c.Source):
		return errors.New("line settings, --lines, --for and --poll are for a port, and this is a file")
	}
	return nil
}

func (c learnCommand) Run(ctx context.Context, s streams) error {
	err := c.run(ctx, s)
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return setup.ErrStopped
	}
	return err
}

func (c learnCommand) run(ctx context.Context, s streams) error {
	answers, err := c.answers()
	if err != nil {
		return err
	}
	if err := c.writable(); err != nil {
		return err
	}
	person := somebody(s) // one alone: two would take each other's answers
	got, err := c.sample(ctx, s, person)
	if err != nil {
		return err
	}
	if c.Against != "" {
		return c.against(s, got)
	}
	if c.Source == "-" || c.Accept {
		person = setup.Nobody{}
	}
	learnt, err := setup.Learn(ctx, person, got.Sample, answers)
	if err != nil {
		return err
	}
	taken := c.Accept && len(learnt.Candidates) > 0
	if !taken {
		if taken, err = learnt.Take(ctx, person); err != nil {
			return err
		}
	}
	return c.report(s, &learnReport{Captured: got, Learnt: learnt, taken: taken, command: c})
}

// answers are what the command line knows.
func (c learnCommand) answers() (a learn.Answers, err error) {
	if c.Answers != "" {
		src, err := config.ReadFile(c.Answers)
		if err != nil {
			return a, fmt.Errorf("the answers cannot be read: %w", err)
		}
		if a, err = learn.ParseAnswers(c.Answers, src); err != nil {
			return a, fmt.Errorf("the answers have mistakes: %w", err)
		}
	}
	for _, h := range c.Hint {
		if err := a.Hint(h); err != nil {
			return a, fmt.Errorf("--hint %q: %w", h, err)
		}
	}
	return a, nil
}

// writable refuses a file that is there already before anybody is asked anything.
func (c learnCommand) writable() error {
	if c.Out == "" || c.Out == "-" || c.Replace {
		return nil
	}
	if _, err := os.Lstat(c.Out); err == nil {
		return fmt.Errorf("the file %s is there already: name another, or say --replace", c.Out)
	}
	return nil
}

// sample reads the file, or listens to the port.
func (c learnCommand) sample(ctx context.Context, s streams, person setup.Person) (*setup.Captured, error) {
	if c.Source == "-" || !isPort(c.Source) {
		b, err := c.file(s.in)
		if err != nil {
			return nil, fmt.Errorf("the bytes cannot be read: %w", err)
		}
		return &setup.Captured{Sample: learn.Sample{Bytes: b}}, nil
	}
	o, text := setup.ListenOptions{Lines: c.Lines, For: c.For}, pressPrint
	if c.Poll != "" {
		var err error
		if o.Poll, err = setup.ParsePoll(c.Poll); err != nil {
			return nil, err
		}
		text = loadsOnly
	}
	if c.Lines == 0 && c.For == 0 {
		text += " Press Enter when it is enough."
	}
	got, err := setup.ListenWith(ctx, setup.Open, c.at(c.Source), person, text, o)
	if err != nil {
		return nil, err
	}
	if len(got.Sample.Bytes) == 0 {
		return nil, fmt.Errorf("nothing came from %s: press the balance's print key while this listens; where nothing ever comes, "+
			"weighpost settings %s finds out why", c.Source, c.Source)
	}
	return got, nil
}

const pressPrint = "Listening. Press the balance's print key for several different loads: ten lines " +
	"tell most, and a negative weight and one that has not settled help."

const loadsOnly = "The balance is asked every second. Put several different loads on, one after another: ten lines tell most, " +
	"and a negative weight and one that has not settled help."

func (c learnCommand) file(in io.Reader) ([]byte, error) {
	if c.Source != "-" {
		f, err := os.Open(c.Source)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	return io.ReadAll(io.LimitReader(in, learn.MostBytes+1))
}

// learnReport is what learning brought, for people and for programs.
type learnReport struct {
	*setup.Captured
	*setup.Learnt
	taken   bool
	command learnCommand
}

// port is the port for the configuration block: the one that was listened to, or an example.
func (r *learnReport) port() port.Config {
	if isPort(r.command.Source) {
		return r.command.at(r.command.Source)
	}
	return port.Config{Address: "/dev/ttyUSB0"}
}

// block is the balance as it could stand in a configuration. Its id, and the port of a file's balance, are examples.
func (r *learnReport) block() string {
	b := intake.Config{ID: "b-1", Port: r.port(), Layout: r.command.Out}
	if b.Layout == "" || b.Layout == "-" {
		b.Layout = "layouts/b-1.yaml"
	}
	if l, err := layout.Parse("layout", r.Candidates[0].Layout); err == nil {
		if d, err := intake.ParseQuantity(setup.Readability(l, r.Sample)); err == nil {
			b.Readability = d
		}
	}
	return "balances:\n" + config.BalanceBlock(b)
}

// report prints what was found, writes the layout, and says what stands in the way.
func (c learnCommand) report(s streams, r *learnReport) error {
	if r.taken && c.Out != "" && c.Out != "-" {
		if err := setup.WriteNew(c.Out, r.Candidates[0].Layout, c.Replace); err != nil {
			return err
		}
	}
	to := s.out
	if c.Out == "-" {
		to = s.err
	}
	var err error
	if c.JSON {
		err = printObject(s.out, r.forPrograms())
	} else {
		_, err = io.WriteString(to, r.forPeople())
	}
	if err == nil && c.Out == "-" && r.taken {
		_, err = s.out.Write(r.Candidates[0].Layout)
	}
	switch {
	case err != nil:
		return fmt.Errorf("what was learnt cannot be written: %w", err)
	case len(r.Candidates) == 0:
		return fmt.Errorf("no layout was learnt: %s%s", r.Why, r.settles())
	case !r.taken:
		return fmt.Errorf("%s open: answer with --hint or --answers, or take the best explanation with --accept; nothing was written",
			countIs(len(r.Open), "question"))
	}
	return nil
}

// settles says which hint answers the first open question, where there is no layout without it: --accept takes the best
// explanation, and a weight that would be a guess is none.
func (r *learnReport) settles() string {
	if len(r.Open) == 0 {
		return ""
	}
	q := r.Open[0]
	if strings.ContainsFunc(q.Key, func(c rune) bool { return c != ':' && !unicode.IsLetter(c) && !unicode.IsDigit(c) }) {
		return "" // the keys stand in the list of questions
	}
	if len(q.Choices) == 0 {
		return fmt.Sprintf(". Say it with --hint '%s=12.345 g', with what was shown", q.Key)
	}
	var ways []string
	for _, c := range q.Choices[:min(2, len(q.Choices))] {
		ways = append(ways, fmt.Sprintf("--hint '%s=%s'", q.Key, c.Value))
	}
	return ". Say it with " + strings.Join(ways, " or ")
}

func countIs(n int, what string) string {
	if n == 1 {
		return "1 " + what + " is"
	}
	return count(n, what) + " are"
}

// learnJSON is the object that --json prints. Keys may be added.
type learnJSON struct {
	Layout   string           `json:"layout,omitempty"` // of the first candidate
	Taken    bool             `json:"taken"`
	Written  string           `json:"written,omitempty"` // the file of the layout
	Block    string           `json:"block,omitempty"`   // for the configuration
	Open     []learn.Question `json:"open"`              // questions on which a reading depends
	Answers  learn.Answers    `json:"answers"`
	Damaged  int              `json:"damaged,omitempty"` // characters that came damaged, with how many lines were left out for it
	LeftOut  int              `json:"damaged_lines,omitempty"`
	Findings *learn.Result    `json:"findings"`
}

func (r *learnReport) forPrograms() learnJSON {
	j := learnJSON{Taken: r.taken, Open: r.Open, Answers: r.Answers, Findings: r.Result, Damaged: r.Damaged, LeftOut: r.Captured.LeftOut}
	if j.Open == nil {
		j.Open = []learn.Question{}
	}
	if len(r.Candidates) > 0 {
		j.Layout, j.Block = string(r.Candidates[0].Layout), r.block()
	}
	if r.taken && r.command.Out != "-" {
		j.Written = r.command.Out
	}
	return j
}
