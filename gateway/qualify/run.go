package qualify

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/qualification"
	"weighpost/gateway/record"
)

// planned is one test that is to be done.
type planned struct {
	id string
	do func(ctx context.Context, t *try)
}

// try is one test while it is done. A test that saw nothing did not pass.
type try struct {
	qualification.Test
	seen []string
	why  []string
}

func (t *try) tried(format string, args ...any)    { t.Tried = fmt.Sprintf(format, args...) }
func (t *try) expected(format string, args ...any) { t.Expected = fmt.Sprintf(format, args...) }
func (t *try) saw(format string, args ...any)      { t.seen = append(t.seen, fmt.Sprintf(format, args...)) }

// fail says why the test failed; it may be said more than once.
func (t *try) fail(format string, args ...any) {
	t.Outcome, t.why = qualification.Failed, append(t.why, fmt.Sprintf(format, args...))
}

// notDone says why the test could not be done. What failed before stays failed.
func (t *try) notDone(format string, args ...any) {
	if t.Outcome != qualification.Failed {
		t.Outcome = qualification.NotDone
	}
	t.why = append(t.why, fmt.Sprintf(format, args...))
}

// errWrongOrder is a word of the order that names no test.
type errWrongOrder struct{ text string }

func (e *errWrongOrder) Error() string { return e.text }

// run is one going-through of all tests.
type run struct {
	Deps
	Order
	watch   *watch
	scratch string
	copy    *copied // of the journal; made when the first test needs it
}

// Run does the tests, one after the other, and gives the report. The error says that nothing was tried: the order names a test that there
// is not, or the scratch folder cannot be made. What fails is in the report. ctx ends it: tests that were not reached are not done.
func Run(ctx context.Context, d Deps, o Order) (r *qualification.Report, err error) {
	u := &run{Deps: d, Order: o}
	list := u.plan()
	if err := u.check(list); err != nil {
		return nil, err
	}
	if u.scratch, err = os.MkdirTemp(o.Scratch, "weighpost-qualify-"); err != nil {
		return nil, fmt.Errorf("there is no place for scratch copies: %w. Name a folder with --scratch", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(u.scratch)) }()
	var end func()
	if u.watch, end, err = startWatch(ctx, d.Config.Clock); err != nil {
		return nil, err
	}
	defer end()
	r = &qualification.Report{Schema: qualification.Schema, Site: d.Config.Site, By: d.By, Asked: o.words(), Tests: []qualification.Test{},
		Begun: qualification.WhenOf(u.watch.now()), Limits: qualification.Limits(), Config: qualification.Config{File: d.Config.File(), Hash: d.Config.Hash()}}
	r.ID = "qualification-" + r.Site + "-" + r.Begun.UTC.Time().UTC().Format("20060102T150405Z")
	u.about(ctx, r)
	for _, p := range list {
		r.Tests = append(r.Tests, u.one(ctx, p))
	}
	r.Ended = qualification.WhenOf(u.watch.now())
	r.Close()
	return r, nil
}

// plan lists the tests of this installation, in their order.
func (u *run) plan() []planned {
	list := u.installation()
	list = append(list, u.clocks()...)
	list = append(list, u.ports()...)
	list = append(list, u.journalTests()...)
	list = append(list, u.backups()...)
	list = append(list, u.destinations()...)
	list = append(list, u.roles()...)
	return append(list, u.kills()...)
}

// names says whether a word of the order names a test: its id, or the words that it begins with.
func names(word, id string) bool { return word == id || strings.HasPrefix(id, word+".") }

// check refuses words that name no test.
func (u *run) check(list []planned) error {
	for _, word := range slices.Concat(u.Only, slices.Sorted(maps.Keys(u.Skip))) {
		if !slices.ContainsFunc(list, func(p planned) bool { return names(word, p.id) }) {
			ids := make([]string, len(list))
			for i, p := range list {
				ids[i] = p.id
			}
			return &errWrongOrder{fmt.Sprintf("%q is no test of this installation. There are: %s", word, strings.Join(ids, ", "))}
		}
	}
	for word, reason := range u.Skip {
		if strings.TrimSpace(reason) == "" {
			return &errWrongOrder{fmt.Sprintf("%s is to be skipped without a reason: say --skip %s=REASON", word, word)}
		}
	}
	for _, id := range slices.Concat(u.Loop, u.Weigh) {
		if !slices.ContainsFunc(list, func(p planned) bool { return p.id == "ports."+id }) {
			return &errWrongOrder{fmt.Sprintf("there is no balance %q in the configuration", id)}
		}
	}
	return nil
}

// left says why a test is left out, or "".
func (u *run) left(id string) string {
	for word, reason := range u.Skip {
		if names(word, id) {
			return "Skipped by " + u.By.Account + ": " + reason
		}
	}
	if len(u.Only) > 0 && !slices.ContainsFunc(u.Only, func(word string) bool { return names(word, id) }) {
		return "Left out: only " + strings.Join(u.Only, ", ") + " was asked for."
	}
	return ""
}

// one does one test.
func (u *run) one(ctx context.Context, p planned) qualification.Test {
	t := &try{Test: qualification.Test{ID: p.id, Outcome: qualification.Passed, Begun: u.watch.now().UTC}}
	t.Requirement, t.Clauses, _ = qualification.Requirement(p.id)
	switch why := u.left(p.id); {
	case why != "":
		t.notDone("%s", why)
	case ctx.Err() != nil:
		t.notDone("It was called off before.")
	default:
		u.say("%s …", p.id)
		p.do(ctx, t)
		if ctx.Err() != nil {
			t.notDone("It was called off while it went on.")
		} else if t.Outcome == qualification.Passed && len(t.seen) == 0 {
			t.fail("The test saw nothing.")
		}
		u.say("%s: %s%s", p.id, t.Outcome, colon(strings.Join(t.why, " ")))
	}
	t.Seen, t.Why, t.Ended = strings.Join(t.seen, "\n"), strings.Join(t.why, " "), u.watch.now().UTC
	return t.Test
}

func colon(text string) string {
	if text == "" {
		return ""
	}
	return ": " + text
}

func (u *run) say(format string, args ...any) {
	if u.Say != nil {
		u.Say(fmt.Sprintf(format, args...))
	}
}

// about fills in what was tried out.
func (u *run) about(ctx context.Context, r *qualification.Report) {
	r.Program = programOf(u.Program)
	r.Software = "weighpost " + r.Program.Version
	r.Host.Name, _ = os.Hostname()
	r.Host.System = runtime.GOOS + "/" + runtime.GOARCH + system()
	if about, err := journal.AboutDir(ctx, u.Config.Journal.Folder); err == nil {
		r.Journal = fmt.Sprintf("%s, %d entries at the start", about.Origin, about.Head)
	}
	r.Daemon = "No daemon ran with this journal: what only a running one shows was not done."
	if u.Daemon != nil {
		r.Daemon = "A daemon ran with this journal."
	}
}

// words says what was asked for.
func (o *Order) words() string {
	var parts []string
	if len(o.Only) > 0 {
		parts = append(parts, "only "+strings.Join(o.Only, ", "))
	}
	for _, word := range slices.Sorted(maps.Keys(o.Skip)) {
		parts = append(parts, "not "+word+" ("+o.Skip[word]+")")
	}
	for _, said := range []struct {
		what string
		ids  []string
	}{{"pins said to be bridged at", o.Loop}, {"somebody weighs at", o.Weigh}} {
		if len(said.ids) > 0 {
			parts = append(parts, said.what+" "+strings.Join(said.ids, ", "))
		}
	}
	if len(parts) == 0 {
		return "all tests"
	}
	return strings.Join(parts, "; ")
}

// utc is a stamp by the computer's own clock, for what is not told by the checked one.
func utc(at time.Time) record.UTC { return record.UTC(at.UTC().Truncate(time.Microsecond)) }
