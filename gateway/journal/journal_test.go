package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
)

func TestMain(m *testing.M) {
	if os.Getenv(standInEnv) != "" {
		os.Exit(standIn())
	}
	goleak.VerifyTestMain(m)
}

// weighing is a record of ordinary size from a balance of the seed bank.
func weighing(balance string, n int) *record.Weighing {
	bound := record.Span(21 * time.Millisecond)
	return &record.Weighing{
		Balance: record.Balance{ID: balance, Serial: "SN-4417-0093", Place: "cold store 2, bench 4", Capacity: "220 g",
			Readability: "0.0001 g", Identity: "confirmed"},
		Value: record.Value{Digits: fmt.Sprintf("%d.%04d", n%200, n%10000), Unit: "g", PrintedUnit: "g", Kind: "net",
			Stability: "stable", Range: "in"},
		Frame:   []byte(fmt.Sprintf("lot %10d.%04d g \r\n", n%200, n%10000)),
		Layout:  "sha256:9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
		Trigger: "printed", Port: "/dev/serial/by-id/usb-serial-if00-port0",
		Stamp: record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, 5, n*1000, time.UTC)), Zone: "+01:00", Bound: &bound,
			Clock: record.ClockChecked, Sources: 3},
		Context: record.Context{Person: &record.Learnt{ID: "p-17", By: "signed-in"},
			Sample: &record.Learnt{ID: fmt.Sprintf("lot-%06d", n), By: "scanned"}},
		Verdicts: []record.Verdict{{Rule: "minimum-weight", Pass: true, Limit: "0.0820 g"}},
		Fitness:  record.Fitness{State: "unknown"},
		Software: record.Software{Version: "0.0.0-test", Config: "sha256:2c26b46b68ffc68ff99b453c1d30413413422d706483bfa0f98a5e886266e7ae"},
	}
}

func open(t testing.TB, o Options) *Journal {
	t.Helper()
	if o.Site == "" {
		o.Site = "north-lab"
	}
	j, err := Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

func appendN(t testing.TB, j *Journal, balance string, n int) []record.Entry {
	t.Helper()
	var all []record.Entry
	for i := range n {
		e, err := j.Append(context.Background(), weighing(balance, i))
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, e...)
	}
	return all
}

func TestAppendGivesIdentitiesThatSurviveAReopen(t *testing.T) {
	dir := t.TempDir()
	ctx := context.Background()
	j := open(t, Options{Dir: dir})
	start := &record.Lifecycle{Started: true}
	entries, err := j.Append(ctx, start, weighing("b-12", 1), &record.Result{Weighing: *weighing("b-12", 2)}, weighing("b-7", 3))
	if err != nil {
		t.Fatal(err)
	}
	inc := j.Incarnation()
	want := []string{"north-lab/" + inc + "/@/000001", "north-lab/" + inc + "/b-12/000001", "north-lab/" + inc + "/b-12/000002",
		"north-lab/" + inc + "/b-7/000001"}
	for i, e := range entries {
		if e.ID != want[i] || e.Seq != uint64(i+1) {
			t.Errorf("entry %d has seq %d and id %s, want %s", i, e.Seq, e.ID, want[i])
		}
		if parsed, err := record.ParseEntry(e.JSON); err != nil || parsed.ID != e.ID || parsed.Balance != e.Balance || parsed.Kind != e.Kind {
			t.Errorf("its bytes say %+v, %v", parsed, err)
		}
	}
	if start.ID != want[0] {
		t.Errorf("the body was given the id %q", start.ID)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(ctx, weighing("b-12", 1)); !errors.Is(err, ErrClosed) {
		t.Errorf("append after close: %v", err)
	}

	j = open(t, Options{Dir: dir})
	if j.Head() != 4 || j.Incarnation() != inc {
		t.Fatalf("reopened: head %d, incarnation %s", j.Head(), j.Incarnation())
	}
	read, err := j.Read(ctx, 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.EqualFunc(read, entries, sameEntry) {
		t.Error("what is read after a reopen is not what was appended")
	}
	if next := appendN(t, j, "b-12", 1)[0]; next.ID != "north-lab/"+inc+"/b-12/000003" || next.Seq != 5 {
		t.Errorf("the next id is %s, seq %d", next.ID, next.Seq)
	}
}

func sameEntry(a, b record.Entry) bool {
	return a.Seq == b.Seq && a.ID == b.ID && a.Kind == b.Kind && a.Balance == b.Balance && string(a.JSON) == string(b.JSON)
}

func TestABodyThatCannotBeRecordedFailsAloneAndLeavesNoGap(t *testing.T) {
	j := open(t, Options{Dir: t.TempDir()})
	ctx := context.Background()
	appendN(t, j, "b-12", 1)
	bad, negative := weighing("b-12", 2), record.Span(-1)
	bad.Stamp.Bound = &negative
	good := weighing("b-12", 1)
	if _, err := j.Append(ctx, good, bad); err == nil {
		t.Fatal("a negative bound was recorded")
	}
	if good.ID != "" || good.Seq != 0 {
		t.Errorf("the first of the two keeps the identity %+v, and is not recorded", good.Head)
	}
	if _, err := j.Append(ctx, weighing("b/12", 2)); err == nil || !strings.Contains(err.Error(), `holds '/'`) {
		t.Errorf("a balance named b/12: %v", err)
	}
	if e := appendN(t, j, "b-12", 1)[0]; e.Seq != 2 || !strings.HasSuffix(e.ID, "/b-12/000002") {
		t.Errorf("next: %d %s", e.Seq, e.ID)
	}
}

func TestConcurrentAppendsAreGaplessAndReadableInOrder(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	const writers, each = 16, 40
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				if _, err := j.Append(context.Background(), weighing(fmt.Sprintf("b-%d", w), i), weighing("shared", i)); err != nil {
					t.Error(err)
				}
			}
		})
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var got []record.Entry
	for len(got) < 2*writers*each {
		if err := j.Wait(ctx, uint64(len(got))); err != nil {
			t.Fatal(err)
		}
		batch, err := j.Read(ctx, uint64(len(got)), 37)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, batch...)
	}
	wg.Wait()
	for i, e := range got {
		if e.Seq != uint64(i+1) {
			t.Fatalf("place %d holds entry %d", i, e.Seq)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, Options{Dir: dir})
	fromDisk, err := j.Read(ctx, 0, 1<<20)
	if err != nil || !slices.EqualFunc(fromDisk, got, sameEntry) {
		t.Errorf("the disk holds something else (%v)", err)
	}
}

func TestWaitEndsWithContextAndWithClose(t *testing.T) {
	j := open(t, Options{Dir: t.TempDir()})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := j.Wait(ctx, 0); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	done := make(chan error)
	go func() { done <- j.Wait(context.Background(), 0) }()
	j.Close()
	if err := <-done; !errors.Is(err, ErrClosed) {
		t.Error(err)
	}
}

func TestCursorsAndParkedEntriesAreKept(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	j := open(t, Options{Dir: dir})
	entries := appendN(t, j, "b-12", 3)
	if err := j.SetCursor("mqtt", 4); err == nil {
		t.Error("a cursor went past the head")
	}
	if err := j.SetCursor("mqtt", 1); err != nil {
		t.Fatal(err)
	}
	notice := &record.Parked{Sink: "mqtt", Entry: 2, EntryID: entries[1].ID, Why: "too long for its topic"}
	if err := j.Park(ctx, "mqtt", entries[1], notice); err != nil {
		t.Fatal(err)
	}
	if err := j.Park(ctx, "files", entries[2], &record.Parked{Sink: "files"}); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if at, err := j.Cursor("mqtt"); at != 2 || err != nil {
			t.Errorf("cursor: %d, %v", at, err)
		}
		parked, err := j.Parked("mqtt")
		if err != nil || !slices.Equal(parked, []Parked{{Entry: 2, Notice: 4}}) {
			t.Errorf("parked: %v, %v", parked, err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open(t, Options{Dir: dir})
	}
	if notice.Seq != 4 || notice.ID == "" {
		t.Errorf("the notice has the identity %+v", notice.Head)
	}
}

func TestTheSecondOpenerIsToldTheFirstsProcess(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	_, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("in use by process %d", os.Getpid())) {
		t.Fatalf("second opener: %v", err)
	}
	appendN(t, j, "b-12", 1)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Dir: dir})
}
