package follow

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lots is a room: how often each lot was announced.
type lots struct {
	*View
	n   map[string]int
	log *strings.Builder // with the view's lock or after the end
}

type snapshot struct {
	Mark
	Lots map[string]int `json:"lots"`
}

func (s *snapshot) Whole() error {
	for lot, n := range s.Lots {
		if n < 1 {
			return fmt.Errorf("it holds %d of the lot %s", n, lot)
		}
	}
	return nil
}

func open(j Journal, dir string) *lots {
	r := &lots{n: map[string]int{}, log: &strings.Builder{}}
	o := Options{Dir: dir, Journal: j, Log: slog.New(slog.NewTextHandler(r.log, nil)), Reduce: r.reduce, Words: Words{What: "what is sown", Of: "lots", Many: true}}
	if dir != "" {
		o.File = Keep("lots.json", "weighpost.lots/2", func(s *snapshot) { r.n = s.Lots }, func() *snapshot { return &snapshot{Lots: maps.Clone(r.n)} })
	}
	r.View = New(o)
	return r
}

func (r *lots) reduce(e record.Entry) error {
	if e.Kind != record.KindSampleAnnounced {
		return nil
	}
	var a record.SampleAnnounced
	if err := json.Unmarshal(e.JSON, &a); err != nil {
		return err
	}
	if a.Sample.Lot == "" {
		return errors.New("it names no lot")
	}
	r.n[a.Sample.Lot]++
	r.Changed()
	return nil
}

func (r *lots) of(lot string) int {
	r.Lock()
	defer r.Unlock()
	return r.n[lot]
}

// run follows the journal until the function that it gives is called, which waits for the end.
func (r *lots) run(t *testing.T, beside ...func(context.Context)) (end func()) {
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { r.Run(ctx, beside...) })
	end = sync.OnceFunc(func() { cancel(); running.Wait() })
	t.Cleanup(end)
	return end
}

func lot(name string) record.Body {
	return &record.SampleAnnounced{Sample: record.Sample{ID: "S-1", Lot: name}, Change: record.SampleNew}
}

func put(t *testing.T, j *memory.Journal, bodies ...record.Body) {
	t.Helper()
	if _, err := j.Append(t.Context(), bodies...); err != nil {
		t.Fatal(err)
	}
}

func (r *lots) reach(t *testing.T, seq uint64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := r.Reached(ctx, seq); err != nil {
		t.Fatal(err)
	}
}

// TestWhatIsInTheJournalIsKnown: more than is read at once, what comes later, and nothing of it before it was read.
func TestWhatIsInTheJournalIsKnown(t *testing.T) {
	j := memory.New("lab")
	var many []record.Body
	for range 2*chunk + 1 {
		many = append(many, lot("rye"))
	}
	put(t, j, append(many, lot(""))...) // the last cannot be read
	head := j.Head()
	r := open(j, "")
	if r.Ready() || r.Seq() != 0 {
		t.Error("all is known before anything was read")
	}
	began := make(chan struct{})
	end := r.run(t, func(ctx context.Context) { close(began); <-ctx.Done() })
	r.Await(t.Context(), 20*time.Second)
	if !r.Ready() || r.Seq() != head || r.of("rye") != 2*chunk+1 {
		t.Errorf("ready %v, entry %d of %d, %d", r.Ready(), r.Seq(), head, r.of("rye"))
	}
	put(t, j, lot("oats"), lot("rye"))
	r.reach(t, j.Head())
	if r.of("oats") != 1 || r.of("rye") != 2*chunk+2 {
		t.Error("what came later is not known")
	}
	<-began
	end()
	if said := r.log.String(); strings.Count(said, "\n") != 1 || !strings.Contains(said, `"an entry that tells of lots cannot be read" entry=2002 err="it names no lot"`) {
		t.Error(said)
	}
}

// TestWhileTheJournalCannotBeReadNothingIsSaidToBeKnown, and it goes on where it stopped.
func TestWhileTheJournalCannotBeReadNothingIsSaidToBeKnown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := memory.New("lab")
		put(t, j, lot("rye"))
		r := open(j, "")
		end := r.run(t)
		r.reach(t, 1)
		j.FailReads(errors.New("the disk does not answer"))
		put(t, j, lot("rye"))
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if err := r.Reached(ctx, 2); !errors.Is(err, context.DeadlineExceeded) || !strings.HasPrefix(err.Error(), "what is sown is still being read from the journal: try again in a moment") {
			t.Error(err)
		}
		if _, err := r.Take(ctx); err == nil {
			t.Error("somebody may act upon what is not known")
		}
		j.FailReads(nil)
		done, err := r.Take(t.Context()) // the one that was refused holds nothing
		if err != nil || r.of("rye") != 2 {
			t.Errorf("%v, %d", err, r.of("rye"))
		}
		done()
		end()
		if n := strings.Count(r.log.String(), "what is sown cannot be read from the journal"); n != 3 { // at 0, 2 and 4 s
			t.Errorf("said %d times:\n%s", n, r.log)
		}
	})
}

// TestOneActsAtATime: each sees what the one before did, and so all of them count.
func TestOneActsAtATime(t *testing.T) {
	j := memory.New("lab")
	r := open(j, "")
	r.run(t)
	var all sync.WaitGroup
	var acting, clashes atomic.Int32
	for range 40 {
		all.Go(func() {
			done, err := r.Take(t.Context())
			if err != nil {
				t.Error(err)
				return
			}
			defer done()
			if acting.Add(1) > 1 {
				clashes.Add(1)
			}
			n := r.of("rye")
			time.Sleep(time.Millisecond) // so that another would come in between
			e, err := r.Append(t.Context(), lot("rye"))
			if err != nil || len(e) != 1 || int(e[0].Seq) != n+1 || r.of("rye") != n+1 {
				t.Errorf("after %d: %d entries, %v; %d are known", n, len(e), err, r.of("rye"))
			}
			acting.Add(-1)
		})
	}
	all.Wait()
	if r.of("rye") != 40 || clashes.Load() != 0 {
		t.Errorf("%d of 40, %d acted beside another", r.of("rye"), clashes.Load())
	}
	done, err := r.Take(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.Take(ctx); !errors.Is(err, context.Canceled) || !strings.HasPrefix(err.Error(), "somebody else is changing the same: try again in a moment") {
		t.Error(err)
	}
}

// TestAnAppendIsAnsweredOnceItIsKnown, and not before: nobody follows at first.
func TestAnAppendIsAnsweredOnceItIsKnown(t *testing.T) {
	j := memory.New("lab")
	r := open(j, "")
	if e, err := r.Append(t.Context()); err != nil || e != nil || j.Head() != 0 {
		t.Errorf("nothing to append: %v, %v", e, err)
	}
	answered := make(chan error, 1)
	go func() {
		_, err := r.Append(t.Context(), lot("rye"), lot("oats"))
		answered <- err
	}()
	for j.Head() < 2 {
		time.Sleep(time.Millisecond)
	}
	select {
	case err := <-answered:
		t.Fatalf("answered although nothing is known: %v", err)
	case <-time.After(50 * time.Millisecond):
	}
	r.run(t)
	if err := <-answered; err != nil || r.of("oats") != 1 {
		t.Errorf("%v, %d", err, r.of("oats"))
	}
	full := errors.New("the disk is full")
	j.FailAppends(full)
	if e, err := r.Append(t.Context(), lot("rye")); err != full || e != nil || r.of("rye") != 1 {
		t.Errorf("%v, %v", e, err)
	}
}

// TestTheEndEndsAll: who waits, what goes on beside, and Run itself, also where nothing comes and where the journal cannot be read.
func TestTheEndEndsAll(t *testing.T) {
	for _, fault := range []error{nil, errors.New("the disk does not answer")} {
		j := memory.New("lab")
		j.FailReads(fault)
		r := open(j, "")
		var ended atomic.Bool
		end := r.run(t, func(ctx context.Context) {
			if err := r.Reached(ctx, 9); !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
			ended.Store(true)
		})
		time.Sleep(10 * time.Millisecond) // so that it waits, or has just failed
		began := time.Now()
		end()
		if !ended.Load() || time.Since(began) > retry/2 {
			t.Errorf("%v: ended beside %v, after %s", fault, ended.Load(), time.Since(began))
		}
	}
}
