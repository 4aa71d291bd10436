package mail

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Alarms are conditions that hold, as the daemon hands them to sinks.Statuser. What is told of one:
//
//   - that it holds, once it has held for wait: at once, but for what is over again before anybody could look;
//   - that it still holds, each repeat; and at once that it has become worse;
//   - that it is over, once it has been over for wait. What comes back within an hour of the last word about it is told when that hour
//     is over, if it then holds.
//
// What is due at one time is one message. Where the hour allows none, what is due waits: the next message tells all of it, and what
// came and went in between. A condition that is told under another (its cause) is no alarm of its own.
//
// A message that cannot be sent is a condition itself, which others tell and pages show (sinks.Env.Alarms); this sink does not tell it.
//
// What was told is kept in a file (memory.go), so that a restart tells nothing twice, and tells what is over by then. After a start
// nothing is told for two minutes: ports and clocks need a moment. Without the file, one message then tells all that holds.

// condition is one of the conditions that the daemon tells; see package health.
type condition struct {
	Code         string      `json:"code"`
	Subject      string      `json:"subject"`
	Severity     string      `json:"severity"`
	Sentence     string      `json:"sentence"`
	Remedy       string      `json:"remedy"`
	Since        time.Time   `json:"since"`
	Consequences []condition `json:"consequences"`
}

type ref struct{ Code, Subject string }

func (c *condition) ref() ref { return ref{c.Code, c.Subject} }

// rank orders severities: the worse the more. -1 for none.
func rank(severity string) int { return slices.Index([]string{"notice", "warning", "error"}, severity) }

// told is what was last said of a condition.
type told struct {
	Code     string    `json:"code"`
	Subject  string    `json:"subject"`
	Severity string    `json:"severity"`
	Sentence string    `json:"sentence"`
	Since    time.Time `json:"since"`
	Last     time.Time `json:"last"`           // when something was said of it
	Over     bool      `json:"over,omitempty"` // and that was that it is over
	ID       string    `json:"id"`             // Message-ID of the first word about it

	gone time.Time // since when it does not hold
}

const (
	// quiet is how long after a start nothing is told.
	quiet = 2 * time.Minute
	// between is how long at least it is from the last word about a condition that is over to the next that it is there again.
	between = time.Hour
	// mostMissed is how many conditions that came and went are listed.
	mostMissed = 50
)

// watcher decides what is to be told. It is pure but for what it remembers: the time comes from outside.
type watcher struct {
	cfg    Alarms
	own    string // id of the sink: its own troubles are not for it to tell
	began  time.Time
	told   map[ref]*told
	first  map[ref]time.Time // when a condition was seen that is not told yet
	waits  map[ref]condition // of those, what is due and could not be told
	missed []condition
	more   int // missed beyond those
}

// due is what one message tells.
type due struct {
	fresh, still []condition
	over         []told
	missed       []condition
	more         int
	reply        string // Message-ID of the first word about it, where only one condition is told, and not for the first time
}

func (d *due) empty() bool { return len(d.fresh)+len(d.still)+len(d.over)+len(d.missed) == 0 }

// wanted says whether a condition is to be told.
func (w *watcher) wanted(c *condition) bool {
	if rank(c.Severity) < rank(w.cfg.Severity) || c.Subject == w.own && strings.HasPrefix(c.Code, "sink-") {
		return false
	}
	return len(w.cfg.Codes) == 0 || anyOf(c, func(c *condition) bool { return slices.Contains(w.cfg.Codes, c.Code) })
}

func anyOf(c *condition, f func(*condition) bool) bool {
	return f(c) || slices.ContainsFunc(c.Consequences, func(k condition) bool { return f(&k) })
}

// look takes the conditions that hold and gives what is due at a time, and when to look again (0: after the next change).
func (w *watcher) look(now time.Time, hold []condition) (d due, again time.Duration) {
	later := func(at time.Time) {
		if wait := max(at.Sub(now), time.Millisecond); again == 0 || wait < again {
			again = wait
		}
	}
	there, listed := map[ref]bool{}, map[ref]bool{}
	for i := range hold {
		c := &hold[i]
		anyOf(c, func(c *condition) bool { there[c.ref()] = true; return false })
		if !w.wanted(c) {
			continue
		}
		listed[c.ref()] = true
		at, worse := w.dueAt(now, c)
		switch {
		case at.IsZero():
		case at.After(now):
			later(at)
		case w.known(c.ref()) || worse:
			goesOn := *c
			if t := w.told[c.ref()]; t.Since.Before(c.Since) { // a restart begins anew to count
				goesOn.Since = t.Since
			}
			d.still = append(d.still, goesOn)
		default:
			d.fresh = append(d.fresh, *c)
		}
	}
	w.pass(there, listed)
	w.ended(now, there, &d, later)
	d.missed, d.more = w.missed, w.more
	if len(d.fresh)+len(d.missed) == 0 && len(d.still)+len(d.over) == 1 {
		for _, c := range d.still {
			d.reply = w.told[c.ref()].ID
		}
		for _, o := range d.over {
			d.reply = o.ID
		}
	}
	return d, again
}

func (w *watcher) known(r ref) bool { t := w.told[r]; return t != nil && !t.Over }

// dueAt is when a condition that holds is to be told, or told again; the zero time for never.
func (w *watcher) dueAt(now time.Time, c *condition) (at time.Time, worse bool) {
	t := w.told[c.ref()]
	if w.known(c.ref()) {
		t.gone = time.Time{}
		if rank(c.Severity) > rank(t.Severity) {
			return now, true
		}
		if w.cfg.Repeat == 0 {
			return time.Time{}, false
		}
		return t.Last.Add(w.cfg.Repeat.D()), false
	}
	first, seen := w.first[c.ref()]
	if !seen {
		first = now
		w.first[c.ref()] = now
	}
	at = first.Add(w.cfg.Wait.D())
	if start := w.began.Add(quiet); at.Before(start) {
		at = start
	}
	if t != nil && at.Before(t.Last.Add(between)) {
		at = t.Last.Add(between)
	}
	return at, false
}

// pass forgets conditions that went before they were told. Those that were due are missed.
func (w *watcher) pass(there, listed map[ref]bool) {
	for r := range w.first {
		if listed[r] {
			continue
		}
		if c, due := w.waits[r]; due && !there[r] {
			if len(w.missed) < mostMissed {
				w.missed = append(w.missed, c)
			} else {
				w.more++
			}
		}
		delete(w.first, r)
		delete(w.waits, r)
	}
	slices.SortFunc(w.missed, func(a, b condition) int { return a.Since.Compare(b.Since) })
}

// ended finds what was told and is over.
func (w *watcher) ended(now time.Time, there map[ref]bool, d *due, later func(time.Time)) {
	for r, t := range w.told {
		switch {
		case t.Over && now.Sub(t.Last) >= between:
			delete(w.told, r)
		case t.Over, there[r]:
		default:
			if t.gone.IsZero() {
				t.gone = now
			}
			at := t.gone.Add(w.cfg.Wait.D())
			if start := w.began.Add(quiet); at.Before(start) {
				at = start
			}
			if at.After(now) {
				later(at)
			} else {
				d.over = append(d.over, *t)
			}
		}
	}
	slices.SortFunc(d.over, func(a, b told) int {
		return cmp.Or(a.Since.Compare(b.Since), strings.Compare(a.Code+a.Subject, b.Code+b.Subject))
	})
}

// held notes what is due and may not be told now.
func (w *watcher) held(d due) {
	for _, c := range d.fresh {
		w.waits[c.ref()] = c
	}
}

// done notes that something was told by the message of that id.
func (w *watcher) done(now time.Time, d due, id string) {
	for _, c := range slices.Concat(d.fresh, d.still) {
		t := w.told[c.ref()]
		if t == nil || t.Over {
			t = &told{ID: id}
		}
		t.Code, t.Subject, t.Severity, t.Sentence, t.Since, t.Last, t.Over, t.gone = c.Code, c.Subject, c.Severity, c.Sentence, c.Since, now, false, time.Time{}
		w.told[c.ref()] = t
		delete(w.first, c.ref())
		delete(w.waits, c.ref())
	}
	for _, o := range d.over {
		if t := w.told[ref{o.Code, o.Subject}]; t != nil {
			t.Last, t.Over = now, true
		}
	}
	w.missed, w.more = nil, 0
}

// Status takes the conditions that hold now.
func (s *Sink) Status(conditions []byte) {
	own := slices.Clone(conditions)
	s.latest.Store(&own)
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

// watch tells what is due until ctx ends.
func (s *Sink) watch(ctx context.Context, m *memory, began time.Time) {
	w := &watcher{cfg: s.cfg.Alarms, own: s.id, began: began, told: m.load(&s.hourly), first: map[ref]time.Time{}, waits: map[ref]condition{}}
	var failed time.Time // when a message could not be sent; then not at once again
	backOff := 30 * time.Second
	for {
		var again time.Duration
		if b := s.latest.Load(); b != nil {
			var hold []condition
			if err := json.Unmarshal(*b, &hold); err != nil {
				s.log.Error("the conditions cannot be read; nothing is told of them", "error", err)
			} else {
				again = s.tell(ctx, w, m, hold, &failed, &backOff)
			}
		}
		var timer <-chan time.Time
		if again > 0 {
			timer = time.After(again)
		}
		select {
		case <-ctx.Done():
			return
		case <-s.changed:
		case <-timer:
		}
	}
}

// tell sends what is due, and says when to look again.
func (s *Sink) tell(ctx context.Context, w *watcher, m *memory, hold []condition, failed *time.Time, backOff *time.Duration) time.Duration {
	now := time.Now()
	d, again := w.look(now, hold)
	if d.empty() {
		return again
	}
	if wait := failed.Add(*backOff).Sub(now); !failed.IsZero() && wait > 0 {
		w.held(d)
		return wait
	}
	if _, wait := s.hourly.left(now); wait > 0 {
		w.held(d)
		return wait
	}
	what := s.ofConditions(d)
	limit, cancel := context.WithTimeout(ctx, 2*s.cfg.Timeout.D())
	defer cancel()
	l, err := s.connect(limit)
	if err == nil {
		err = s.post(l, what)
		l.close()
	}
	if err != nil {
		w.held(d)
		if failed.IsZero() {
			*backOff = 30 * time.Second
		} else {
			*backOff = min(2**backOff, 10*time.Minute)
		}
		*failed = now
		if ctx.Err() == nil {
			s.log.Error("a message about what is wrong could not be sent; it is tried again", "subject", what.subject, "in", *backOff, "error", err)
			s.unsent(err)
		}
		return *backOff
	}
	*failed = time.Time{}
	s.unsent(nil)
	w.done(now, d, what.id)
	m.save(w.told, s.hourly.all())
	return max(again, time.Millisecond)
}

// ofConditions is the message about what is due.
func (s *Sink) ofConditions(d due) letter {
	var b strings.Builder
	parts := []string{"conditions"}
	say := func(title string, list []condition) {
		if len(list) == 0 {
			return
		}
		fmt.Fprintf(&b, "%s\n\n", title)
		for _, c := range list {
			b.WriteString(c.lines())
			parts = append(parts, title, c.Code, c.Subject, c.Severity, c.Since.UTC().Format(time.RFC3339Nano))
		}
	}
	say("NEW", d.fresh)
	say("STILL THERE", d.still)
	if len(d.over) > 0 {
		b.WriteString("OVER\n\n")
	}
	for _, o := range d.over {
		fmt.Fprintf(&b, "%s\nIt began %s. (%s %s)\n\n", oneLine(o.Sentence, mostText), clock(o.Since), o.Code, oneLine(o.Subject, 100))
		parts = append(parts, "OVER", o.Code, o.Subject, o.Since.UTC().Format(time.RFC3339Nano))
	}
	say("CAME AND WENT before it could be told", d.missed)
	if d.more > 0 {
		fmt.Fprintf(&b, "and %d more that came and went.\n\n", d.more)
	}
	b.WriteString(s.foot())
	l := letter{id: s.messageID(parts...), subject: fmt.Sprintf("[%s] %s", s.site, d.subject()), body: b.String(), replyTo: d.reply}
	return l
}

// subject says what a message is about in one line: the one condition, or how many there are of each.
func (d *due) subject() string {
	all := slices.Concat(d.fresh, d.still)
	switch {
	case len(all) == 1 && len(d.over)+len(d.missed) == 0:
		return oneLine(all[0].Severity+": "+all[0].Sentence, 150)
	case len(all)+len(d.missed) == 0 && len(d.over) == 1:
		return oneLine("over: "+d.over[0].Sentence, 150)
	}
	var parts []string
	for _, one := range []struct {
		n    int
		what string
	}{{len(d.fresh), "new"}, {len(d.still), "still there"}, {len(d.over), "over"}, {len(d.missed) + d.more, "came and went"}} {
		if one.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", one.n, one.what))
		}
	}
	return "conditions: " + strings.Join(parts, ", ")
}

func (c *condition) lines() string {
	text := fmt.Sprintf("%s: %s\nSince %s. (%s %s)\n", c.Severity, oneLine(c.Sentence, mostText), clock(c.Since), c.Code, oneLine(c.Subject, 100))
	if c.Remedy != "" {
		text += "What to do: " + oneLine(c.Remedy, mostText) + "\n"
	}
	return text + "\n"
}
