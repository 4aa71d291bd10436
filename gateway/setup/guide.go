package setup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
	"weighpost/parsers/strict"
)

// Given is what is known of a balance before anybody is asked. What is left out is found, or asked.
type Given struct {
	Config        string      // the path of the configuration
	Site, Journal string      // of a configuration that is not there yet
	Port          port.Config // its address, and its settings
	Settings      bool        // the settings of Port are those of the balance, those left out included
	Layout        string      // the path of a layout
	Answers       learn.Answers
	Accept        bool // take the best layout, whatever the doubts
	Balance       Plate
	Record        string        // printed or settled
	Poll          []byte        // what a balance is asked that speaks only when asked; nil: nothing is ever sent
	Every         string        // how often the daemon asks it, as 2s; "-": on request only
	Lines         int           // how many lines are listened to
	For           time.Duration // and for how long
	Yes           bool          // write without a comparison with the display, and take what is proposed

	listen time.Duration // how long a try for the settings and a step of the walk wait; 0: as usual
}

// Plate is what a person reads off a balance or decides about it, as text. "-" stands for what is not to be written.
type Plate struct{ ID, Serial, Place, Capacity, Readability string }

// Tools is what the guide works with. Nil functions stand for those of this computer.
type Tools struct {
	Open Opener
	List func(context.Context) ([]port.Found, error)
	Past Past
	// Refuse says why a port cannot be used, or nil, when a person has chosen it; nil: each can be tried.
	Refuse func(ctx context.Context, address string) error
	// Keep puts the balance into the configuration; nil: it is written into the file, and nothing else is told of it.
	Keep Keeper
	// NoFiles: the person is not at this computer and names no files on it.
	NoFiles bool
}

// Keeper puts a balance into a configuration. Where a *Declined comes back, the person is told and asked again.
type Keeper interface {
	// Check says what stands in the way of an addition, and leaves nothing behind.
	Check(ctx context.Context, a Addition) error
	// Write adds it, whole or not at all.
	Write(ctx context.Context, a Addition) (*Added, error)
}

// Declined says in a sentence why nothing can be written as things are now; they may be otherwise soon.
type Declined struct{ Why string }

func (d *Declined) Error() string { return d.Why }

// inFile keeps a balance in the configuration's file.
type inFile struct{}

func (inFile) Check(ctx context.Context, a Addition) error           { return a.Check(ctx) }
func (inFile) Write(ctx context.Context, a Addition) (*Added, error) { return a.Write(ctx) }

var (
	// ErrStopped is returned where the person stopped; nothing was written.
	ErrStopped = errors.New("stopped: nothing was written")

	errBack = errors.New("one step back")
)

// Steps of the guide.
const (
	stepPort = iota
	stepSettings
	stepLayout
	stepPlate
	stepTest
	stepWrite
)

// jump is an error that goes back to a step.
type jump int

func (j jump) Error() string { return fmt.Sprintf("back to step %d", int(j)+1) }

// guide is one way from a port to a block in the configuration.
type guide struct {
	given Given
	tools Tools
	p     Watcher

	config  *config.Config // as it is; nil where there is none yet
	port    port.Config
	poll    []byte // what it is asked; nil where it prints
	heard   *Captured
	layout  *layout.Layout
	text    []byte // of a layout that is not in a file yet
	file    string // of one that is
	balance intake.Config
	added   *Added
}

// AddBalance goes with a person from a port to a balance in the configuration: port, settings, layout, plate, a test at the
// balance, and the block. What is given is not asked. At each question the person may go back or stop; until the last step
// nothing is written, and that step writes all or nothing.
//
// Where there is nobody (ErrNobody), everything that cannot be found has to be given, and the error says what is missing.
func AddBalance(ctx context.Context, p Person, tools Tools, given Given) (*Added, error) {
	if tools.Open == nil {
		tools.Open = Open
	}
	if tools.List == nil {
		tools.List = port.List
	}
	if tools.Keep == nil {
		tools.Keep = inFile{}
	}
	g := &guide{given: given, tools: tools, p: leaver{watcher(p)}, poll: given.Poll}
	if err := g.load(); err != nil {
		return nil, err
	}
	steps := []func(context.Context) (asked bool, err error){
		stepPort: g.choosePort, stepSettings: g.findSettings, stepLayout: g.findLayout, stepPlate: g.askPlate, stepTest: g.test, stepWrite: g.write,
	}
	asked := make([]bool, len(steps))
	g.p.Listing("A balance for " + given.Config + ", in six steps. At each question Enter takes what stands in brackets, " +
		"\"back\" goes one step back and \"stop\" ends it. Nothing is written before the last step.")
	for i := 0; i < len(steps); {
		g.p.Step(i + 1)
		var err error
		asked[i], err = steps[i](ctx)
		var to jump
		var trouble *port.Trouble
		switch {
		case errors.Is(err, errBack):
			i = lastAsked(asked[:i])
			g.backTo(i)
		case errors.As(err, &to):
			i = int(to)
			g.backTo(i)
		case errors.As(err, &trouble) && asked[stepPort]: // the person chose it, and may choose another
			g.p.Tell(sentence(trouble.Error()))
			i = stepPort
		case errors.Is(err, context.Canceled) && ctx.Err() != nil:
			return nil, ErrStopped
		case err != nil:
			return nil, err
		default:
			g.p.Line(g.port)
			i++
		}
	}
	return g.added, nil
}

// lastAsked is the last step at which the person was asked something: there is nothing to go back to in the others.
func lastAsked(asked []bool) int {
	for i := len(asked) - 1; i >= 0; i-- {
		if asked[i] {
			return i
		}
	}
	return 0
}

// backTo forgets what was given for a step that is taken again because of it: the person wants it otherwise.
func (g *guide) backTo(step int) {
	switch step {
	case stepPort:
		g.given.Port = port.Config{}
		g.given.Settings = false
	case stepSettings:
		g.given.Settings = false
	case stepLayout:
		g.given.Layout, g.given.Accept = "", false
		g.heard = nil
	case stepPlate:
		g.given.Balance.ID = ""
	}
}

// load reads the configuration, if there is one. One with mistakes is mended first.
func (g *guide) load() error {
	src, err := config.ReadFile(g.given.Config)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("the configuration cannot be read: %w", err)
	case len(strings.TrimSpace(string(src))) == 0:
		return nil
	}
	c, faults := config.Load(g.given.Config, src)
	faults = slices.DeleteFunc(faults, func(f strict.Fault) bool { return f.Path == "balances" })
	if err := faults.Err(); err != nil {
		return fmt.Errorf("the configuration has mistakes, which come first: %w", err)
	}
	g.config = c
	if c == nil {
		g.config = &config.Config{} // its list of balances is empty
	}
	return nil
}

// exists says whether there is a file.
func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// leaver is a person who can go back and stop at each question.
type leaver struct{ Watcher }

// leave are the answers that each question allows besides its own.
var leave = []Choice{{"back", "one step back"}, {"stop", "write nothing and stop"}}

// Ask puts the question with these two answers. One that has such an answer already keeps its own.
func (l leaver) Ask(ctx context.Context, q Question) (string, error) {
	has := func(value string) bool {
		return slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Value == value })
	}
	for _, c := range leave {
		if !has(c.Value) {
			q.Aside = append(q.Aside, c)
		}
	}
	answer, err := l.Watcher.Ask(ctx, q)
	if err != nil {
		return "", err
	}
	switch word := strings.ToLower(strings.TrimSpace(answer)); {
	case has(word):
	case word == "back":
		return "", errBack
	case word == "stop":
		return "", ErrStopped
	}
	return answer, nil
}

// ask asks, and turns ErrNobody into what has to be given then.
func (g *guide) ask(ctx context.Context, q Question, missing string) (string, error) {
	answer, err := g.p.Ask(ctx, q)
	if errors.Is(err, ErrNobody) {
		return "", fmt.Errorf("%s: %w", missing, err)
	}
	return answer, err
}
