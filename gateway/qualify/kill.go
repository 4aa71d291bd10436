package qualify

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// How often the scratch daemon is killed, by how many it is written to meanwhile, and how long it writes before.
const (
	killRounds  = 3
	killWriters = 4
	killAfter   = 300 * time.Millisecond // and up to as much again
)

func (u *run) kills() []planned {
	return []planned{{"kill.acknowledged", u.killed}, {"kill.power", power}}
}

// power says what no program can do.
func power(_ context.Context, t *try) {
	t.tried("Nothing: no program pulls its own plug.")
	t.expected("After a power cut in the middle of writing the journal opens, verifies, and holds all that was shown as recorded.")
	t.notDone("A person has to do it: have weighings recorded, note the last one that the page shows, pull the computer's plug, start it again, and look for that weighing (weighpost journal verify, weighpost journal list). See: weighpost help qualify.")
}

// acknowledged gathers what a daemon has said to be recorded.
type acknowledged struct {
	mu   sync.Mutex
	acts map[string]bool // samples that the context was set to
	ids  map[string]bool // weighings that were shown as recorded
}

func (a *acknowledged) note(to map[string]bool, what string) {
	if what == "" {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	to[what] = true
}

// killed kills this program in the middle of writing, and looks for all that it had acknowledged.
func (u *run) killed(ctx context.Context, t *try) {
	t.tried("%d times ran this program by a configuration of its own in a scratch folder, had a simulated balance print to it and %d programs change the context, killed it (SIGKILL) at a random moment, and looked for all that it had acknowledged.", killRounds, killWriters)
	t.expected("The journal opens and verifies, and holds every act that was answered with success and every weighing that was shown as recorded.")
	balance, err := newPrinter()
	if err != nil {
		t.fail("There can be no simulated balance: %v.", err)
		return
	}
	defer balance.end()
	d, err := newScratchDaemon(u.Program, filepath.Join(u.scratch, "killed"), u.Config.Site, balance.Addr().String())
	if err != nil {
		t.fail("The scratch folder cannot be written: %v.", err)
		return
	}
	all := &acknowledged{acts: map[string]bool{}, ids: map[string]bool{}}
	for round := 1; round <= killRounds; round++ {
		if err := d.start(ctx); err != nil {
			t.fail("The scratch daemon did not start in round %d: %v.", round, err)
			return
		}
		all.gather(ctx, d, round)
	}
	u.lookFor(ctx, t, d.journal(), all)
}

// gather has the daemon written to and asked, until it is killed.
func (a *acknowledged) gather(ctx context.Context, d *scratchDaemon, round int) {
	asking, stop := context.WithCancel(ctx)
	defer stop()
	var busy sync.WaitGroup
	for w := range killWriters {
		busy.Go(func() {
			for n := 0; asking.Err() == nil; n++ {
				sample := fmt.Sprintf("Q-%d-%d-%d", round, w, n)
				if d.ask(asking, http.MethodPut, "/api/v1/balances/scratch/context", []byte(`{"sample": {"id": "`+sample+`"}}`), nil) {
					a.note(a.acts, sample)
				}
			}
		})
	}
	busy.Go(func() {
		for asking.Err() == nil {
			var of struct {
				Last struct{ ID string } `json:"last"`
			}
			if d.ask(asking, http.MethodGet, "/api/v1/balances/scratch", nil, &of) {
				a.note(a.ids, of.Last.ID)
			}
			time.Sleep(printEvery)
		}
	})
	select {
	case <-time.After(killAfter + rand.N(killAfter)):
	case <-ctx.Done():
	}
	d.kill()
	stop()
	busy.Wait()
}

// lookFor verifies the journal and looks for what was acknowledged.
func (u *run) lookFor(ctx context.Context, t *try, folder string, all *acknowledged) {
	// The next start is what a killed daemon is followed by.
	if err := u.openOnce(ctx, folder, false); err != nil {
		t.fail("After the last kill the journal does not open: %v.", err)
		return
	}
	r, err := journal.Verify(ctx, folder, "", nil)
	switch {
	case err != nil:
		t.fail("The journal could not be examined: %v.", err)
		return
	case !r.Verified:
		t.fail("The journal has faults: %s.", r.Faults[0])
	}
	missing, err := all.missing(ctx, folder)
	t.saw("%d entries, verified: %s; %d acts and %d weighings had been acknowledged before a kill, %d of these are missing.", r.Entries, yes(r.Verified), len(all.acts), len(all.ids), len(missing))
	switch {
	case err != nil:
		t.fail("The entries cannot be read: %v.", err)
	case len(missing) > 0:
		t.fail("Missing: %s.", strings.Join(missing[:min(len(missing), 5)], ", "))
	case len(all.acts) == 0 || len(all.ids) == 0:
		t.fail("Too little was acknowledged to show anything.")
	}
}

// missing lists what was acknowledged and is not in the journal.
func (a *acknowledged) missing(ctx context.Context, folder string) (list []string, err error) {
	acts, ids := map[string]bool{}, map[string]bool{}
	err = journal.Scan(ctx, folder, 0, func(e record.Entry) error {
		ids[e.ID] = true
		if e.Kind == record.KindContextChanged {
			for sample := range samplesOf(e.JSON) {
				acts[sample] = true
			}
		}
		return nil
	})
	for _, of := range []struct{ said, there map[string]bool }{{a.acts, acts}, {a.ids, ids}} {
		for what := range of.said {
			if !of.there[what] {
				list = append(list, what)
			}
		}
	}
	return list, err
}

// samplesOf are all texts of an entry that may be the sample of ours that it is about.
func samplesOf(text []byte) map[string]bool {
	found := map[string]bool{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case string:
			if strings.HasPrefix(v, "Q-") {
				found[v] = true
			}
		case []any:
			for _, one := range v {
				walk(one)
			}
		case map[string]any:
			for _, one := range v {
				walk(one)
			}
		}
	}
	var doc any
	if json.Unmarshal(text, &doc) == nil {
		walk(doc)
	}
	return found
}
