package intake

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/record"
)

// Whoever stands at a balance is told of each print what became of it: that it was recorded, once the journal has it; that it was
// not, as soon as that is known. A print is what somebody had the balance send, or what its rule took for one: each frame under the
// rule printed, each load under the rule settled, each answer that a request wants recorded. What the rules every and all record
// nobody asked for at that moment, and it is not told.

const (
	// answerPatience is how long a print waits for the journal before whoever stands there is told that it is not recorded. It is
	// told again once it is.
	answerPatience = 2 * time.Second
	// unreadPause is the least time between two answers on frames that are counted only: a line that sends garbage is no print
	// after another.
	unreadPause = time.Second
)

// print is a print that is on its way to the journal.
type print struct {
	record.Answer
	w     *record.Weighing // nil: it is no weighing, and goes by what Answer says
	since time.Time
	told  bool   // that it is not recorded
	doubt string // what is said of it beside its verdicts; "": nothing
	unfit bool   // it is recorded, and whoever stands there is told that it is not to be used
}

// answers are the prints that are on their way to the journal, by their entries.
type answers struct {
	waiting map[record.Body]*print
	counted time.Time // when one was told of last that is counted only
	sample  string    // why the sample that was scanned last was not taken; "": it was, or there was none
}

// isPrint says whether what a trigger records is told as a print.
func isPrint(trigger string) bool {
	return trigger == Printed || trigger == Settling || trigger == record.TriggerAsked
}

// printsFrames says whether each frame that comes now is a print: nobody but whoever stands there had it sent.
func (in *Intake) printsFrames() bool { return in.trigger == Printed && in.asking.open == nil }

// awaitAnswer notes a print that has its context and goes to the journal. in.mu is held.
func (in *Intake) awaitAnswer(t *ticket) {
	if !isPrint(t.w.Trigger) {
		return
	}
	doubt := ""
	if t.w.Context.Sample == nil {
		doubt = in.answers.sample
	}
	unfit, said := in.outOfService(t.w)
	in.answers.put(t.body, &print{doubt: strings.TrimSpace(said + " " + doubt), unfit: unfit, w: t.w, since: in.now(), Answer: record.Answer{Balance: in.about.ID, UTC: t.w.Stamp.UTC, Value: &t.w.Value}})
}

func (a *answers) put(b record.Body, p *print) {
	if a.waiting == nil {
		a.waiting = map[record.Body]*print{}
	}
	a.waiting[b] = p
}

// answerUnread notes, or tells at once, what becomes of a print without a usable value. value is what was read of it all the same and
// refused by a rule, or nil; entry is what was left for the journal, or nil where it is counted only. in.mu is held.
func (in *Intake) answerUnread(entry record.Body, kept bool, value *record.Value, refused bool, why string, stamp record.Stamp, at time.Time) {
	a := record.Answer{Balance: in.about.ID, UTC: stamp.UTC, Outcome: record.AnswerUnread, Value: value, Why: asSentence(why)}
	if refused {
		a.Outcome = record.AnswerRefused
	}
	p := &print{Answer: a, since: in.now()}
	switch {
	case entry == nil:
		if at.Sub(in.answers.counted) < unreadPause {
			return
		}
		in.answers.counted = at
		a.Why += " It is one of many, and counted only."
		in.tellAnswer(a)
	case kept:
		in.answers.put(entry, p)
	default:
		in.tellNotRecorded(p, noRoom)
	}
}

// rulePrintKey is the rule of a verdict that says that a print means something beside its weight.
const rulePrintKey = "print-key"

// noRoom is why a print is not recorded for which too many wait.
const noRoom = "too many readings wait for the journal: it is counted, and its weight is gone"

// dropAnswer tells of a print for which there was no room. in.mu is held.
func (in *Intake) dropAnswer(b record.Body) {
	if p := in.answers.waiting[b]; p != nil {
		delete(in.answers.waiting, b)
		in.tellNotRecorded(p, noRoom)
	}
}

// tellDurable tells of what the journal has now.
func (in *Intake) tellDurable(entries []record.Entry, batch []record.Body) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for i, b := range batch {
		p := in.answers.waiting[b]
		if p == nil {
			continue
		}
		delete(in.answers.waiting, b)
		a := p.Answer
		a.ID = entries[i].ID
		if p.w != nil {
			a.Outcome, a.Context, a.Why = record.AnswerRecorded, heldIn(&p.w.Context), strings.TrimSpace(p.doubt+" "+doubtsOf(p.w))
			if p.unfit {
				a.Outcome = record.AnswerRefused
			}
		}
		in.tellAnswer(a)
	}
}

// tellWaiting tells of the prints that have waited for so long that they are not recorded, and why.
func (in *Intake) tellWaiting(why string, since time.Duration) {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	for _, p := range in.answers.waiting {
		if !p.told && now.Sub(p.since) >= since {
			p.told = true
			in.tellNotRecorded(p, why+": it waits in memory, and is told again once it is recorded")
		}
	}
}

func (in *Intake) tellNotRecorded(p *print, why string) {
	a := p.Answer
	a.Outcome, a.Why = record.AnswerNotRecording, asSentence("it is not recorded: "+why)
	if p.w != nil {
		a.Context = heldIn(&p.w.Context)
	}
	in.tellAnswer(a)
}

// tellAnswer has whoever looks see an answer. Nothing else is told with it.
func (in *Intake) tellAnswer(a record.Answer) {
	in.live.Publish(record.Live{Balance: a.Balance, UTC: a.UTC, Answer: &a})
}

// watchAppend tells of the prints that wait while the journal takes its time, until stop is called. After stop it tells nothing.
func (in *Intake) watchAppend() (stop func()) {
	var mu sync.Mutex // held while it tells, so that stop waits for the end of that
	var timer *time.Timer
	over := false
	mu.Lock()
	defer mu.Unlock()
	timer = time.AfterFunc(answerPatience, func() {
		mu.Lock()
		defer mu.Unlock()
		if over {
			return
		}
		in.tellWaiting("the journal has not answered for "+answerPatience.String(), answerPatience)
		timer.Reset(answerPatience / 4)
	})
	return func() {
		mu.Lock()
		defer mu.Unlock()
		over = true
		timer.Stop()
	}
}

// doubtsOf says of a weighing that is recorded what is wrong with it all the same, in sentences; "" where nothing is.
func doubtsOf(w *record.Weighing) string {
	var all []string
	for _, v := range w.Verdicts {
		if v.Failed() || v.Rule == rulePrintKey {
			all = append(all, asSentence(cmp.Or(v.Why, "the rule "+v.Rule+" did not pass")))
		}
	}
	return strings.Join(all, " ")
}

// heldIn lists what a context says, in its order.
func heldIn(c *record.Context) []record.ContextHeld {
	var list []record.ContextHeld
	for _, name := range fixedItems {
		l := c.Get(name)
		if l == nil {
			continue
		}
		held := record.ContextHeld{Name: name, ID: l.ID, By: l.By, Person: l.Name, Role: l.Role, How: l.How, Uses: l.UsesLeft}
		if l.Since != nil {
			held.Since = *l.Since
		}
		list = append(list, held)
	}
	for _, name := range slices.Sorted(maps.Keys(c.Fields)) {
		list = append(list, record.ContextHeld{Name: name, ID: c.Fields[name]})
	}
	return list
}

// asSentence writes words as a sentence.
func asSentence(s string) string { return sentenceOf(plain(s)) }

type plain string

func (p plain) Error() string { return string(p) }
