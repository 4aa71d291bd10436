package setup

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/port"
)

// SilenceOptions are what the walk through a silent port may use. The zero value is the usual one.
type SilenceOptions struct {
	// Config is how the line is set while listening; its address is not used. Any byte counts, so the settings matter little.
	Config port.Config
	// Listen is how long each step waits for bytes; 0: 10 s.
	Listen time.Duration
	// System is what is known of the computer; nil: this one.
	System System
}

// System tells of ports and programs of a computer.
type System interface {
	List(ctx context.Context) ([]port.Found, error)
	Probers() []port.Prober
	Spared(device string) (spared, known bool)
}

// thisComputer is the system that weighpost runs on.
type thisComputer struct{}

func (thisComputer) List(ctx context.Context) ([]port.Found, error) { return port.List(ctx) }
func (thisComputer) Probers() []port.Prober                         { return port.Probers() }
func (thisComputer) Spared(device string) (bool, bool)              { return port.Spared(device) }

const (
	listenFor      = 10 * time.Second
	mostSample     = 4096                   // bytes that are kept of what came
	stray          = 4                      // fewer bytes than this may come from a plug that is moved, and are no line
	pauseAfter     = 500 * time.Millisecond // of silence, after which what came is taken for whole
	mostAskedAgain = 3                      // how often one thing is asked for again
)

// Names of the steps, in their order.
const (
	StepHolder    = "holder"    // who else has the port
	StepListen    = "listen"    // is it silent at all
	StepLines     = "lines"     // the modem lines as they are
	StepPrint     = "print-key" // the print key
	StepHandshake = "handshake" // DTR and RTS
	StepMenu      = "menu"      // the balance's own menu
	StepCable     = "cable"     // socket, straight cable or crossover
	StepSelfTest  = "self-test" // the adapter with its pins 2 and 3 bridged
	StepService   = "service"   // a service of the operating system that tries adapters
)

// Outcomes of a step.
const (
	OutcomeHeard   = "heard"   // bytes came
	OutcomeSilent  = "silent"  // none came
	OutcomeSeen    = "seen"    // something was learnt without listening
	OutcomeSkipped = "skipped" // it was not done
)

// SilenceStep is one thing that was tried.
type SilenceStep struct {
	Name    string `json:"name"`
	Tried   string `json:"tried,omitempty"` // what was done, in words
	Saw     string `json:"saw"`             // what was seen, or why it was not done
	Outcome string `json:"outcome"`
}

// SilenceReport is how the walk ended.
type SilenceReport struct {
	Address string        `json:"address"`
	Heard   bool          `json:"heard"`           // bytes came in the end
	At      string        `json:"at,omitempty"`    // the step in which they came
	Bytes   []byte        `json:"bytes,omitempty"` // the first of them, as received
	Steps   []SilenceStep `json:"steps"`
	// RuledOut are causes that what was seen speaks against; Open are those that it leaves. Neither is more than it says.
	RuledOut []string `json:"ruled_out,omitempty"`
	Open     []string `json:"open,omitempty"`
	Likeliest
}

// Likeliest is the cause that fits what was seen best.
type Likeliest struct {
	Cause    string `json:"cause"`    // one of the Cause constants
	Sentence string `json:"sentence"` // what it is, and what speaks for it
	Remedy   string `json:"remedy"`   // what to do
}

// Silence walks a person through the reasons why nothing comes from a port, cheapest first, and listens again after each, until
// bytes come or nothing is left to try. It opens the port through open and closes it before it returns.
//
// It sends nothing to a balance. What it sends in the self-test of the adapter it sends only after the person has said that the
// balance is unplugged and the pins are bridged. Opening a port raises DTR and RTS; the step handshake lets them fall and
// raises them again.
//
// Where nobody can answer (ErrNobody), the steps that need a person are left out, and the report says so. The error is that of
// ctx, or says why the port cannot be opened although nobody is seen to hold it; the report is then what is known so far.
func Silence(ctx context.Context, open Opener, address string, p Person, o SilenceOptions) (*SilenceReport, error) {
	w := newWalk(open, address, p, o)
	defer w.close()
	var failed error
	for _, step := range []func(context.Context) error{w.holder, w.first, w.lines, w.printKey, w.handshake, w.menu, w.cable, w.selfTest, w.service} {
		err := step(ctx)
		if errors.Is(err, errDone) {
			break
		}
		if err != nil {
			failed = err
			break
		}
	}
	w.report.RuledOut, w.report.Open, w.report.Likeliest = w.known.conclude()
	return w.report, failed
}

// errDone ends the walk: bytes came, or the person wants no more.
var errDone = errors.New("the walk is over")

// walk is one walk through a silent port.
type walk struct {
	open    Opener
	config  port.Config
	person  Person
	listen  time.Duration
	system  System
	nobody  bool // nobody answers
	port    port.Port
	report  *SilenceReport
	known   evidence
	network bool // the port is not of this computer
}

func newWalk(open Opener, address string, p Person, o SilenceOptions) *walk {
	w := &walk{open: open, config: o.Config, person: p, listen: o.Listen, system: o.System, report: &SilenceReport{Address: address}}
	w.config.Address = address
	w.config.Flow = "" // the driver would move RTS by itself
	if w.listen == 0 {
		w.listen = listenFor
	}
	if w.system == nil {
		w.system = thisComputer{}
	}
	w.network = isNetwork(address)
	return w
}

// note adds a step to the report and tells the person.
func (w *walk) note(name, outcome, tried, saw string) {
	w.report.Steps = append(w.report.Steps, SilenceStep{name, tried, saw, outcome})
	w.person.Tell(strings.TrimSpace(tried + " " + saw))
}

func (w *walk) skip(name, why string) { w.note(name, OutcomeSkipped, "", why) }

// Answers that more than one question allows.
const (
	answerDone = "done"
	answerSkip = "skip"
	answerStop = "stop"
)

// ask puts a question with choices. Where nobody answers the answer is to skip, from then on without asking.
func (w *walk) ask(ctx context.Context, key, text string, choices ...Choice) (string, error) {
	if w.nobody {
		return answerSkip, nil
	}
	choices = append(choices, Choice{answerSkip, "leave this step out"}, Choice{answerStop, "stop here"})
	answer, err := w.person.Ask(ctx, Question{Key: key, Text: text, Choices: choices})
	switch {
	case errors.Is(err, ErrNobody):
		w.nobody = true
		return answerSkip, nil
	case err != nil:
		return "", err
	case answer == answerStop:
		w.known.stopped = true
		return "", errDone
	}
	return answer, nil
}

// offer asks for a step that may be left out: an answer of "" means that the step ends here, by an error or because the person left it out, which is noted then.
func (w *walk) offer(ctx context.Context, step, key, text string, choices ...Choice) (string, error) {
	answer, err := w.ask(ctx, key, text, choices...)
	if err == nil && answer == answerSkip {
		w.skip(step, w.whySkipped())
		answer = ""
	}
	return answer, err
}

// whySkipped says why a step with a question was left out.
func (w *walk) whySkipped() string {
	if w.nobody {
		return "Left out: there is nobody to ask."
	}
	return "Left out."
}

// Text is the report for a person, of some ten lines.
func (r *SilenceReport) Text() string {
	var b strings.Builder
	for _, s := range r.Steps {
		fmt.Fprintf(&b, "%-10s %s\n", s.Name, strings.TrimSpace(s.Tried+" "+s.Saw))
	}
	if len(r.RuledOut) > 0 {
		fmt.Fprintf(&b, "\nWhat was seen speaks against:\n  - %s\n", strings.Join(r.RuledOut, "\n  - "))
	}
	if len(r.Open) > 0 {
		fmt.Fprintf(&b, "\nNot known:\n  - %s\n", strings.Join(r.Open, "\n  - "))
	}
	fmt.Fprintf(&b, "\n%s\n%s\n", r.Sentence, r.Remedy)
	return b.String()
}
