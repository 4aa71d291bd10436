package intake

import (
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// changesPerMinute is how many changes of one balance's context are taken within a minute. A runaway scanner and a system
// that has run wild must not fill the disk.
const changesPerMinute = 120

const contextRefused = health.ContextRefused // code of a condition

func (in *Intake) changeEntry(r *record.ContextRequest, cause, why string) *record.ContextChange {
	before := in.context.shown(r.At)
	return &record.ContextChange{
		Balance: in.about, Before: before, After: before, Cause: cause, Why: why, Where: r.Where, By: r.Actor, Raw: r.Raw,
		Request: r.Request, Stamp: in.clock.Stamp(r.At),
	}
}

// refuseContext journals that a request was refused. Where ends is set, what was held under the names ends: whoever tried
// to replace it does not want it, and must not get it because the try failed.
func (in *Intake) refuseContext(r *record.ContextRequest, named map[string]*record.ContextItem, why string, ends bool) error {
	e := in.changeEntry(r, "refused", why)
	if ends {
		for name := range named {
			if in.context.held(name, r.At) != nil {
				in.context.set(name, version{moment{r.At, r.At}, nil})
			}
		}
		e.After = in.context.shown(r.At)
	}
	in.putRefused(e, r.At)
	if r.By == record.ByScanned {
		in.raiseRefused(fmt.Sprintf("The scan %q at balance %s was refused. %s", clip(r.Raw), in.cfg.ID, why))
	}
	return &record.ContextRefused{Why: why, Noted: true}
}

// withdraw ends items that were set at the very time at which the balance printed.
func (in *Intake) withdraw(names []string, m moment) {
	at := m.hi
	r := &record.ContextRequest{At: at}
	e := in.changeEntry(r, "refused", "")
	var set []string
	for _, name := range names {
		if h := in.context.nowItem(name); h.holds(at) {
			in.context.set(name, version{m, nil})
			name += fmt.Sprintf(" %q", h.id)
		}
		set = append(set, name)
	}
	e.After = in.context.shown(at)
	e.Why = "The balance printed while " + strings.Join(set, ", ") + " was set, and which came first is not known: the weighing goes without, and it has to be set again."
	in.putRefused(e, at)
	in.raiseRefused(fmt.Sprintf("At balance %s what was set was withdrawn. %s", in.cfg.ID, e.Why))
}

func (in *Intake) putRefused(e *record.ContextChange, at time.Time) {
	if b := in.refusals.put(e, at); b != nil {
		in.put(b, e.Stamp)
	}
}

func (in *Intake) raiseRefused(sentence string) {
	in.board.Raise(health.Condition{
		Code: contextRefused, Subject: in.cfg.ID, Severity: health.Warning, Sentence: sentence,
		Remedy: "Scan or set it again before the next weighing, and see on the page what is held. This goes with the next change that is taken.",
	})
}

// refusals limits entries of refused requests: the first twenty a minute pass, the rest become one a minute with a count.
type refusals struct {
	allowance
	rest *record.ContextChange
}

func (f *refusals) put(e *record.ContextChange, now time.Time) record.Body {
	if f.take(now) {
		return e
	}
	e.Times = 1
	if f.rest != nil {
		e.Times += f.rest.Times
		e.Before = f.rest.Before
	}
	f.rest = e
	return nil
}

func (f *refusals) due(now time.Time) record.Body {
	if !f.over(now) {
		return nil
	}
	return f.flush()
}

func (f *refusals) flush() record.Body {
	if f.rest == nil {
		return nil
	}
	e := f.rest
	f.rest = nil
	return e
}

// clip shows as much of a scan as a sentence can carry.
func clip(raw []byte) string { return string(raw[:min(len(raw), 64)]) }
