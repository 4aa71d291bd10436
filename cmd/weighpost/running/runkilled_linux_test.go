package running

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"reflect"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/configs"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// killedHouse works a ready procedure at a balance, and is killed in between.
type killedHouse struct {
	*checkedHouse
	random *rand.Rand
	seed   uint64
	kills  int
	run    string
}

// deeds are what is done in a run of net-by-tare, one after the other: what is asked of the run, or what the balance prints.
var deeds = []struct{ act, prints string }{{act: `"scan": "LOT-1"`}, {act: `"done": true`}, {prints: "20.000"}, {prints: "25.001"}, {act: `"scan": "LOT-2"`}, {act: `"done": true`},
	{prints: "21.000"}, {prints: "27.012"}}

// finding is what a run came to, without ids and times.
type finding struct {
	verdict string
	results []string
	steps   []string
}

// TestARunGoesOnAfterKillsInItsMidst: one run is worked undisturbed. In others the daemon gets SIGKILL a random while after something was asked of the
// run or was printed: before, while or after that is recorded. It is started again, and what is not in the run is done once more, as a person does who
// looks at the page. Each run comes to the same as the first, each weighing is in exactly one step, and the journal verifies.
func TestARunGoesOnAfterKillsInItsMidst(t *testing.T) {
	t.Parallel()
	h := &killedHouse{checkedHouse: newCheckedHouse(t), seed: rand.Uint64()}
	if s, err := strconv.ParseUint(os.Getenv("WEIGHPOST_SEED"), 10, 64); err == nil {
		h.seed = s
	}
	t.Logf("seed: WEIGHPOST_SEED=%d", h.seed)
	h.random = rand.New(rand.NewPCG(h.seed, 2))
	f, err := os.OpenFile(h.config, os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteString("procedures: {adoption: one-person}\n")
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	h.start(t)
	h.adopt(t)
	h.opened(t)
	want := h.work(t, 0)
	if want.verdict != record.CheckPassed || !reflect.DeepEqual(want.results, []string{"net LOT-1 5.001 g passed", "net LOT-2 6.012 g passed"}) || len(want.steps) != len(deeds) {
		t.Fatalf("undisturbed, the run came to %+v", want)
	}
	runs, each := 1, 3
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		runs, each = 8, 6
	}
	for range runs {
		if got := h.work(t, each); !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: the run %s came to\n%+v\nand undisturbed to\n%+v", h.seed, h.run, got, want)
		}
	}
	h.end(t, syscall.SIGTERM)
	h.judge(t, runs+1)
}

func (h *killedHouse) adopt(t *testing.T) {
	t.Helper()
	text, err := configs.Procedures.ReadFile("procedures/net-by-tare.yaml")
	if err != nil {
		t.Fatal(err)
	}
	body, _ := json.Marshal(map[string]string{"text": string(text), "reason": "needed", "by": "ben"})
	h.wants(t, 200, "POST", "procedures", string(body), nil)
	h.wants(t, 200, "POST", "procedures/net-by-tare/versions/1/decide", `{"change": "adopted", "reason": "read", "by": "cho"}`, nil)
}

// work works one run to its end, with so many kills at random deeds.
func (h *killedHouse) work(t *testing.T, kills int) finding {
	t.Helper()
	at := map[int]bool{}
	for _, i := range h.random.Perm(len(deeds))[:kills] {
		at[i] = true
	}
	var v console.RunView
	h.wants(t, 200, "POST", "runs", `{"procedure": "net-by-tare", "balance": "b-1", "items": [{"sample": "LOT-1"}, {"sample": "LOT-2"}], "by": "ada"}`, &v)
	h.run = v.ID
	for i := range deeds {
		h.do(t, i)
		if at[i] {
			time.Sleep(time.Duration(h.random.IntN(60)) * time.Millisecond)
			h.end(t, syscall.SIGKILL)
			h.kills++
			h.start(t)
			h.opened(t)
			time.Sleep(150 * time.Millisecond) // a line that the kill left unread is read by now, and the silence shows where the next begins
			if h.settled(t) <= i {
				h.do(t, i)
			}
		}
		h.wait(t, fmt.Sprintf("seed %d: deed %d of the run %s is in the run", h.seed, i+1, h.run), func() bool { return h.taken(t) > i })
	}
	h.wait(t, "the run is complete", func() bool { v = h.now(t); return v.State == record.RunComplete })
	out := finding{verdict: v.Verdict}
	for _, r := range v.Results {
		out.results = append(out.results, fmt.Sprintf("%s %s %s %s %s", r.Name, r.Item.Sample, r.Digits, r.Unit, r.Verdict))
	}
	for _, s := range v.Steps {
		value := ""
		if s.Value != nil {
			value = s.Value.Digits + s.Value.Text
		}
		out.steps = append(out.steps, fmt.Sprintf("%s %d %s attempt %d %s", s.Step, s.Pass, s.Became, s.Attempt, value))
	}
	return out
}

// do does one deed. What is asked is not waited for: a kill may come before it is answered.
func (h *killedHouse) do(t *testing.T, i int) {
	t.Helper()
	if line := deeds[i].prints; line != "" {
		if _, err := fmt.Fprintf(h.cord, "%10s g\r\n", line); err != nil {
			t.Fatal(err)
		}
		return
	}
	token, err := os.ReadFile(h.journal + "/api.token")
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(t.Context(), "POST", h.url+"api/v1/runs/"+h.run+"/act", strings.NewReader(`{`+deeds[i].act+`, "by": "ada"}`))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	answered := make(chan struct{})
	go func() { // ends with the daemon, at the latest
		defer close(answered)
		if resp, err := http.DefaultClient.Do(req); err == nil {
			resp.Body.Close()
		}
	}()
	t.Cleanup(func() { <-answered })
}

func (h *killedHouse) now(t *testing.T) (v console.RunView) {
	t.Helper()
	if status, body, _ := h.asHost(t, "GET", "runs/"+h.run, ""); status == http.StatusOK {
		if err := json.Unmarshal([]byte(body), &v); err != nil {
			t.Fatal(err)
		}
	}
	return v
}

// taken is how many deeds are in the run.
func (h *killedHouse) taken(t *testing.T) (n int) {
	t.Helper()
	for _, s := range h.now(t).Steps {
		if s.Became == record.StepTaken && s.Counts {
			n++
		}
	}
	return n
}

// settled waits until each weighing that was recorded is in a step, and says how many deeds are in the run.
func (h *killedHouse) settled(t *testing.T) int {
	t.Helper()
	h.wait(t, "each weighing is in a step", func() bool {
		var list struct{ Weighings []record.Weighing }
		status, body, _ := h.asHost(t, "GET", "weighings?limit=1000", "")
		if status != http.StatusOK || json.Unmarshal([]byte(body), &list) != nil {
			return false
		}
		recorded, used := 0, 0
		for _, w := range list.Weighings {
			if w.Context.Run != nil && w.Context.Run.ID == h.run {
				recorded++
			}
		}
		v := h.now(t)
		for _, s := range v.Steps {
			if s.Weighing != nil {
				used++
			}
		}
		return v.ID != "" && used == recorded
	})
	return h.taken(t)
}

// judge looks at the journal that is left.
func (h *killedHouse) judge(t *testing.T, runs int) {
	t.Helper()
	if r, err := journal.Verify(t.Context(), h.journal, "", nil); err != nil || !r.Verified {
		t.Fatalf("the journal does not verify: %v\n%s", err, r.Text())
	}
	weighed, used, ended := map[string]string{}, map[string]int{}, 0
	err := journal.Scan(t.Context(), h.journal, 0, func(e record.Entry) error {
		var err error
		switch e.Kind {
		case record.KindWeighing:
			var w record.Weighing
			if err = json.Unmarshal(e.JSON, &w); err == nil && w.Context.Run != nil {
				weighed[e.ID] = w.Context.Run.ID
			} else {
				t.Errorf("the weighing %s is of no run: %v", e.ID, err)
			}
		case record.KindRunStep:
			var s record.RunStep
			if err = json.Unmarshal(e.JSON, &s); err == nil && s.Weighing != nil {
				used[s.Weighing.ID]++
				if s.Became != record.StepTaken || weighed[s.Weighing.ID] != s.Run.ID {
					t.Errorf("the weighing %s of %s is %s in the run %s: %s", s.Weighing.ID, weighed[s.Weighing.ID], s.Became, s.Run.ID, s.Why)
				}
			}
		case record.KindRunEnded:
			ended++
		}
		return err
	})
	for id := range weighed {
		if used[id] != 1 {
			t.Errorf("the weighing %s is in %d steps", id, used[id])
		}
	}
	if err != nil || len(weighed) != 4*runs || len(used) != len(weighed) || ended != runs {
		t.Errorf("%d runs: %d weighings, %d of them in steps, %d ends: %v", runs, len(weighed), len(used), ended, err)
	}
	t.Logf("%d kills in %d runs; %d weighings, each in one step", h.kills, runs-1, len(weighed))
}
