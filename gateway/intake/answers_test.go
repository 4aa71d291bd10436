package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// said gives the answers that were told, in short: outcome, value, sample and person, whether there is an id, and why.
func said(b *bench) (out []string) {
	for _, l := range b.screen.answers() {
		a := l.Answer
		text := a.Outcome
		if a.Value != nil {
			text += " " + a.Value.Digits
		}
		for _, h := range a.Context {
			text += " " + h.Name + "=" + h.ID
		}
		if a.ID != "" {
			text += " #"
		}
		if a.Why != "" {
			text += ": " + a.Why
		}
		out = append(out, text)
	}
	return out
}

func expectSaid(t *testing.T, b *bench, want ...string) {
	t.Helper()
	got := said(b)
	if !slices.EqualFunc(got, want, func(g, w string) bool {
		begin, found := strings.CutSuffix(w, "…")
		return g == w || found && strings.HasPrefix(g, begin)
	}) {
		t.Errorf("answers:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// answering runs one balance, which prints each line after a pause of a minute, so that no limit of a minute plays a part.
func answering(t *testing.T, change func(*Config), act func(b *bench, print func(string))) *bench {
	t.Helper()
	var b *bench
	synctest.Test(t, func(t *testing.T) {
		b = newBench(t, anchored, change, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			act(b, func(line string) {
				sent(h, line+"\r\n")
				synctest.Wait()
			})
			synctest.Wait()
		}); err != nil {
			t.Fatal(err)
		}
	})
	return b
}

func setItems(t *testing.T, b *bench, r record.ContextRequest) {
	t.Helper()
	if _, err := b.SetContext(context.Background(), r); err != nil {
		t.Error(err)
	}
	time.Sleep(100 * time.Millisecond) // what is printed now was printed after it
}

// TestEachPrintIsAnswered: with what became of it, and for whom, once the journal has it and not before.
func TestEachPrintIsAnswered(t *testing.T) {
	b := answering(t, func(c *Config) { c.Capacity = mustQuantity(t, "220 g") }, func(b *bench, print func(string)) {
		setItems(t, b, record.ContextRequest{Person: &record.ContextItem{ID: "ada"}, Sample: &record.ContextItem{ID: "lot-7"}})
		print("W 12.345 g S")
		print("W 99999.000 g S")
		print("W +++++ g -")
		print("W 12,3x g S")
		print("W 1.000 g S")
	})
	expectSaid(t, b,
		"recorded 12.345 person=ada sample=lot-7 #",
		"refused 99999.000 #: 99999.000 g is beyond the capacity of the balance, 220 g.",
		"unread  #: Over range: the balance printed no value.",
		"unread #: …",
		"recorded 1.000 person=ada #")
	for i, l := range b.screen.answers() {
		if l.Value != nil || l.Recorded != "" || l.Unread != "" {
			t.Errorf("event %d tells of something else too: %+v", i, l)
		}
	}
}

// TestWhatIsWrongWithARecordedPrintIsSaid: what it needs and lacks, and why a sample that was scanned is not on it.
func TestWhatIsWrongWithARecordedPrintIsSaid(t *testing.T) {
	b := answering(t, func(c *Config) {
		c.Context.Person.Needed, c.IdentityNeeded, c.Samples = true, true, &SamplesConfig{Pattern: "^lot-", Unknown: accepts}
	}, func(b *bench, print func(string)) {
		_, err := b.SetContext(context.Background(), record.ContextRequest{Sample: &record.ContextItem{ID: "box-7"}})
		if err == nil {
			t.Error("the sample was taken")
		}
		time.Sleep(100 * time.Millisecond)
		print("W 12.345 g S")
	})
	expectSaid(t, b, "recorded 12.345 #: Without a sample: the one before was not taken, since the sample \"box-7\" does not look as samples here do (^lot-). No person is known.")
}

// TestAPrintThatIsNotRecordedIsSaidAtOnce, each of them, and again once it is recorded.
func TestAPrintThatIsNotRecordedIsSaidAtOnce(t *testing.T) {
	b := answering(t, nil, func(b *bench, print func(string)) {
		b.journal.stop(errors.New("the disk is full"))
		setAfter := time.Now()
		print("W 1.000 g S")
		print("W 2.000 g S")
		print("nonsense")
		for range b.screen.answers() {
			if time.Since(setAfter) > 300*time.Millisecond {
				t.Error("it took too long")
			}
		}
		if got := said(b); len(got) != 3 {
			t.Errorf("while the disk is full: %q", got)
		}
		time.Sleep(10 * time.Second)
		b.journal.stop(nil)
		time.Sleep(10 * time.Second)
	})
	why := ": It is not recorded: the disk is full: it waits in memory, and is told again once it is recorded."
	expectSaid(t, b, "not-recording 1.000"+why, "not-recording 2.000"+why, "not-recording"+why, "recorded 1.000 #", "recorded 2.000 #", "unread #: …")
}

// TestAPrintWithoutRoomIsSaidToBeGone: its weight is only counted.
func TestAPrintWithoutRoomIsSaidToBeGone(t *testing.T) {
	b := answering(t, nil, func(b *bench, print func(string)) {
		b.journal.stop(errors.New("the disk is full"))
		for i := range room + 2 {
			print(fmt.Sprintf("W %d.000 g S", i%100))
		}
		b.journal.stop(nil)
		time.Sleep(10 * time.Second)
	})
	var gone []string
	for _, s := range said(b) {
		if strings.Contains(s, "its weight is gone") {
			gone = append(gone, s)
		}
	}
	if len(gone) != 2 || !strings.HasPrefix(gone[0], "not-recording") {
		t.Errorf("%q", gone)
	}
}

// TestAJournalThatHangsIsSaid: an append that does not come back is no reason to leave somebody waiting.
func TestAJournalThatHangsIsSaid(t *testing.T) {
	b := answering(t, nil, func(b *bench, print func(string)) {
		hold := make(chan struct{})
		b.journal.mu.Lock()
		b.journal.hold = hold
		b.journal.mu.Unlock()
		print("W 1.000 g S")
		time.Sleep(answerPatience - time.Millisecond)
		if got := said(b); len(got) != 0 {
			t.Errorf("too early: %q", got)
		}
		print("W 2.000 g S")
		time.Sleep(2 * answerPatience)
		close(hold)
		synctest.Wait()
	})
	why := ": It is not recorded: the journal has not answered for 2s: it waits in memory, and is told again once it is recorded."
	expectSaid(t, b, "not-recording 1.000"+why, "not-recording 2.000"+why, "recorded 1.000 #", "recorded 2.000 #")
}

// TestAContinuousStreamIsNoPrintAfterAnother: a load that came to rest is one, and nothing that cannot be read.
func TestAContinuousStreamIsNoPrintAfterAnother(t *testing.T) {
	b := answering(t, func(c *Config) { c.Record = Rule{Kind: Settling, Settled: DefaultSettled} }, func(b *bench, print func(string)) {
		for range 10 {
			print("W 5.000 g S")
			print("nonsense")
			time.Sleep(200 * time.Millisecond)
		}
		for range 10 {
			print("W 7.000 g S")
			time.Sleep(200 * time.Millisecond)
		}
	})
	expectSaid(t, b, "recorded 7.000 #")
	b = answering(t, func(c *Config) { c.Record = Rule{Kind: All} }, func(b *bench, print func(string)) { print("W 5.000 g S") })
	expectSaid(t, b)
}

// TestGarbageIsNotAnAnswerALine: beyond what is kept of it, one a second.
func TestGarbageIsNotAnAnswerALine(t *testing.T) {
	b := answering(t, nil, func(b *bench, print func(string)) {
		for range 100 {
			print("nonsense")
			time.Sleep(100 * time.Millisecond)
		}
	})
	if n := len(said(b)); n < 25 || n > 30 {
		t.Errorf("%d answers to 100 lines of garbage within 10 s", n)
	}
}

// TestWhatIsNotJudgedIsNoDoubt.
func TestWhatIsNotJudgedIsNoDoubt(t *testing.T) {
	w := &record.Weighing{Verdicts: []record.Verdict{{Rule: "minimum-weight", NotJudged: true, Why: "it is gross"}, {Rule: "range", Pass: true}}}
	if got := doubtsOf(w); got != "" {
		t.Errorf("whoever weighs is told %q", got)
	}
	w.Verdicts = append(w.Verdicts, record.Verdict{Rule: "minimum-weight", Why: "it is below the minimum weight"})
	if got := doubtsOf(w); got != "It is below the minimum weight." {
		t.Errorf("whoever weighs is told %q", got)
	}
}
