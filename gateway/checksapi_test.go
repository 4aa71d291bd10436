//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// scale is a balance that is checked: what lies on its pan, in thousandths of a gram, and how it tells.
type scale struct {
	pan  atomic.Int64
	done chan struct{}
}

// checkedHouse is a lab with one balance of 100 g, d = 0.001 g, that gets a daily check with 20 g: one question, zero, and the weight.
// how is what a balance's settings say beside that.
func checkedHouse(t *testing.T, how string) (*house, *scale) {
	t.Helper()
	h := newHouse(t, "port-1")
	h.start(t, checkedText(how, "5 mg", "journal"))
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	h.register(t)
	return h, &scale{done: make(chan struct{})}
}

func checkedText(how, tolerance, journal string) string {
	return `site: seed-bank
journal: {folder: ` + journal + `, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
checks:
- name: daily
  measures: accuracy
  questions: ["Does the balance stand level?"]
  loads: [20 g]
  tolerance: {mass: ` + tolerance + `}
  settle: {frames: 3, within_d: 1, for: 10ms}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, readability: 0.001 g, capacity: 100 g` + how + "}\n"
}

const streams = ", record: settled"

// register puts a weight of 20 g into the register.
func (h *house) register(t *testing.T) {
	t.Helper()
	h.ask(t, "PUT", "reference-weights/f1-20", `{"nominal": "20 g", "class": "F1", "conventional": "20.00002 g", "uncertainty": "0.00003 g", "k": "2",
		"certificate": {"number": "4711", "by": "the institute", "date": "2020-01-15", "due": "2099-01-15"}, "by": "ada"}`, 200, nil)
}

// ask asks the API as the host, and wants a status.
func (h *house) ask(t *testing.T, method, path, body string, want int, into any) string {
	t.Helper()
	folder := h.Config().Journal.Folder
	token, err := os.ReadFile(filepath.Join(folder, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	status, answer := request(t, h.Gateway, method, "api/v1/"+path, strings.TrimSpace(string(token)), body)
	if status != want {
		t.Fatalf("%s %s: %d %s, want %d", method, path, status, answer, want)
	}
	if into != nil {
		if err := json.Unmarshal(answer, into); err != nil {
			t.Fatalf("%v: %s", err, answer)
		}
	}
	return string(answer)
}

// stream has the balance send what lies on it, all the time, until the test ends.
func (s *scale) stream(t *testing.T, h *house) {
	t.Helper()
	ended := make(chan struct{})
	t.Cleanup(func() { close(s.done); <-ended })
	go func() {
		defer close(ended)
		for {
			select {
			case <-s.done:
				return
			case <-time.After(5 * time.Millisecond):
				_, _ = h.cords["port-1"].Write(line(int(s.pan.Load())))
			}
		}
	}()
}

// answers has the balance tell what lies on it when it is asked.
func (s *scale) answers(h *house) {
	buf := make([]byte, 64)
	for {
		if _, err := h.cords["port-1"].Read(buf); err != nil {
			return
		}
		_, _ = h.cords["port-1"].Write(line(int(s.pan.Load())))
	}
}

func (h *house) check(t *testing.T) (v console.CheckView, runs bool) {
	t.Helper()
	return h.CheckOn("b-1")
}

// checkWaits waits until the check is at a step and waits for something.
func (h *house) checkWaits(t *testing.T, step int, waiting string) {
	t.Helper()
	until(t, func() bool {
		v, runs := h.check(t)
		return runs && v.Step == step && v.Waiting == waiting
	}, fmt.Sprintf("the check does not come to step %d and wait for %s", step, waiting))
}

// begin begins the check, and answers its question.
func (h *house) begin(t *testing.T) {
	t.Helper()
	var v console.CheckView
	h.ask(t, "POST", "balances/b-1/check", `{"check": "daily", "weights": ["f1-20"], "by": "ada"}`, 200, &v)
	if v.Check.ID != "b-1/c000001" || v.Step != 1 || v.Of != 3 || v.Waiting != "answer" || v.By.ID != "ada" {
		t.Fatalf("%+v", v)
	}
	h.ask(t, "POST", "balances/b-1/check/act", `{"answer": "yes", "by": "ada"}`, 200, &v)
	if v.Step < 2 {
		t.Fatalf("%+v", v)
	}
}

// ended waits until the check has ended, and reads its report.
func (h *house) ended(t *testing.T) (r console.CheckReport) {
	t.Helper()
	until(t, func() bool {
		v, _ := h.FitnessOf("b-1")
		return len(v.Checks) == 1 && v.Running == nil
	}, "the check does not end")
	h.ask(t, "GET", "balances/b-1/checks/c000001", "", 200, &r)
	return r
}

// passed holds a report against what a check of 20.001 g finds.
func passed(t *testing.T, r console.CheckReport, settled string) {
	t.Helper()
	if r.Ended.Outcome != record.CheckPassed || len(r.Ended.Results) != 1 || r.Ended.Results[0].Value != "0.0010 g" || r.Ended.Results[0].Exact != "0.00098" {
		t.Errorf("%+v", r.Ended)
	}
	if len(r.Steps) != 3 || r.Steps[2].Settled != settled || r.Steps[2].Value.Digits != "20.001" || string(r.Steps[2].Frame) != string(line(20001)) || r.Begun.By.ID != "ada" {
		for _, s := range r.Steps {
			t.Errorf("%+v", s)
		}
	}
}

// TestABalanceIsCheckedThroughTheAPI: one that sends all the time, one that is asked, and one with a print key.
func TestABalanceIsCheckedThroughTheAPI(t *testing.T) {
	t.Parallel()
	t.Run("stream", func(t *testing.T) {
		h, s := checkedHouse(t, streams)
		s.stream(t, h)
		h.begin(t)
		h.checkWaits(t, 3, "place")
		s.pan.Store(20001)
		passed(t, h.ended(t), "stream")
		if v, _ := h.FitnessOf("b-1"); v.Fitness.State != record.InService {
			t.Errorf("%+v", v.Fitness)
		}
		h.stop(t)
		if list := all[record.Weighing](t, h, record.KindWeighing); len(list) != 0 {
			t.Errorf("what was weighed for the check was recorded as %d weighings", len(list))
		}
	})
	t.Run("polled", func(t *testing.T) {
		h, s := checkedHouse(t, `, record: settled, ask: {send: "\x05", every: 100ms}`)
		go s.answers(h)
		h.begin(t)
		h.checkWaits(t, 3, "place")
		s.pan.Store(20001)
		passed(t, h.ended(t), "answers to polls")
		h.stop(t)
	})
	t.Run("print key", func(t *testing.T) {
		h, _ := checkedHouse(t, "")
		h.begin(t)
		_, _ = h.cords["port-1"].Write(line(0))
		h.checkWaits(t, 3, "place")
		_, _ = h.cords["port-1"].Write(line(10000)) // another weight: it is asked for, and not believed
		h.checkWaits(t, 3, "confirm")
		h.ask(t, "POST", "balances/b-1/check/act", `{"right": false, "by": "ada"}`, 200, nil)
		h.checkWaits(t, 3, "lift")
		_, _ = h.cords["port-1"].Write(line(20001))
		r := h.ended(t)
		if r.Ended.Outcome != record.CheckPassed || len(r.Steps) != 4 || r.Steps[2].Became != record.AttemptDoubted || r.Steps[3].Settled != "print key" {
			t.Errorf("%+v", r.Ended)
		}
		h.ask(t, "POST", "balances/b-1/check", `{"check": "daily", "weights": ["f1-20"], "by": "ada"}`, 200, nil)
		h.ask(t, "POST", "balances/b-1/check/act", `{"stop": "the bell rings", "by": "ada"}`, 200, nil)
		if list := all[record.CheckEnded](t, h, record.KindCheckEnded); len(list) != 2 || list[1].Reason != "the bell rings" {
			t.Errorf("the end was answered, and the journal has %+v", list)
		}
		h.stop(t)
	})
}

// TestACheckGoesOnAfterARestart: what was taken before it counts, and its number.
func TestACheckGoesOnAfterARestart(t *testing.T) {
	t.Parallel()
	h, s := checkedHouse(t, streams)
	s.stream(t, h)
	h.begin(t)
	h.checkWaits(t, 3, "place")
	until(t, func() bool { _, steps := h.checkSteps(t); return steps == 2 }, "the steps are not recorded")
	h.stop(t)
	h.start(t, checkedText(streams, "5 mg", "journal"))
	h.checkWaits(t, 3, "place")
	h.ask(t, "POST", "balances/b-1/check", `{"check": "daily", "weights": ["f1-20"], "by": "ada"}`, 409, nil)
	s.pan.Store(20001)
	passed(t, h.ended(t), "stream")
	h.stop(t)
}

// checkSteps counts what the journal has of checks.
func (h *house) checkSteps(t *testing.T) (begun, steps int) {
	t.Helper()
	return len(all[record.CheckBegun](t, h, record.KindCheckBegun)), len(all[record.CheckStep](t, h, record.KindCheckStep))
}

// TestACheckEndsWhereItsDefinitionChanges: a reload in the middle ends it without a verdict, and the balance is as it was.
func TestACheckEndsWhereItsDefinitionChanges(t *testing.T) {
	t.Parallel()
	h, s := checkedHouse(t, streams)
	s.stream(t, h)
	h.begin(t)
	h.checkWaits(t, 3, "place")
	if err := h.reload(t, checkedText(streams, "4 mg", "journal")); err != nil {
		t.Fatal(err)
	}
	r := h.ended(t)
	if r.Ended.Outcome != record.CheckAborted || !strings.Contains(r.Ended.Reason, "not defined any more") || len(r.Ended.Steps) != 2 {
		t.Errorf("%+v", r.Ended)
	}
	if v, _ := h.FitnessOf("b-1"); v.Fitness.State != record.FitnessUnknown {
		t.Errorf("%+v", v.Fitness)
	}
	h.stop(t)
}

// TestACheckWaitsForALostPort: it says that the balance cannot be heard, and goes on with the same step once it can.
func TestACheckWaitsForALostPort(t *testing.T) {
	t.Parallel()
	h, s := checkedHouse(t, streams)
	s.stream(t, h)
	h.begin(t)
	h.checkWaits(t, 3, "place")
	if err := h.cords["port-1"].Pull(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool {
		v, _ := h.check(t)
		return v.Step == 3 && strings.Contains(v.Note, "cannot be heard")
	}, "nothing is said of the lost port")
	if err := h.cords["port-1"].Plug(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool {
		v, _ := h.check(t)
		return v.Step == 3 && v.Note == ""
	}, "the check does not hear the balance again")
	s.pan.Store(20001)
	passed(t, h.ended(t), "stream")
	h.stop(t)
}

// TestACheckOutlivesAJournalThatStops: what it took while nothing could be recorded is recorded afterwards, and only then does it end.
func TestACheckOutlivesAJournalThatStops(t *testing.T) {
	t.Parallel()
	disk := needs.SmallDisk(t, "size=4m")
	h := newHouse(t, "port-1")
	s := &scale{done: make(chan struct{})}
	h.start(t, checkedText(streams, "5 mg", disk+"/journal"))
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	h.register(t)
	s.stream(t, h)
	h.begin(t)
	h.checkWaits(t, 3, "place")
	full := filepath.Join(disk, "full")
	if err := fillDisk(full); err == nil {
		t.Fatal("the disk does not fill")
	}
	s.pan.Store(20001)
	until(t, func() bool {
		for _, c := range h.Conditions() {
			if c.Code == "recording-stopped" {
				return true
			}
		}
		return false
	}, "nothing says that recording has stopped")
	until(t, func() bool {
		v, runs := h.check(t)
		if !runs || v.Outcome != "" || v.Step != 3 {
			t.Fatalf("%v %+v", runs, v) // what is not recorded is not said to be taken
		}
		return v.Waiting == "wait" && strings.Contains(v.Note, "not in the journal yet")
	}, "nothing says that the reading is not in the journal yet")
	h.ask(t, "POST", "balances/b-1/check/act", `{"stop": "the disk is full", "by": "ada"}`, 503, nil)
	if err := os.Remove(full); err != nil {
		t.Fatal(err)
	}
	passed(t, h.ended(t), "stream")
	h.stop(t)
}

// fillDisk writes until the disk takes no more.
func fillDisk(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for range 1 << 12 {
		if _, err := f.Write(make([]byte, 1<<10)); err != nil {
			return err
		}
	}
	return nil
}

// TestAFailedCheckIsJudgedAndClosed: weighings before it are in doubt; one by one and all at once they are judged, in more entries than one; it
// cannot be closed before; and the balance is put back by a person with a reason.
func TestAFailedCheckIsJudgedAndClosed(t *testing.T) {
	t.Parallel()
	h, _ := checkedHouse(t, "")
	for i := range 5 {
		_, _ = h.cords["port-1"].Write(line(1000 + i))
	}
	until(t, func() bool { return h.Balances()[0].Recorded == 5 }, "the weighings are not recorded")
	h.begin(t)
	_, _ = h.cords["port-1"].Write(line(0))
	h.checkWaits(t, 3, "place")
	_, _ = h.cords["port-1"].Write(line(20020))
	if r := h.ended(t); r.Ended.Outcome != record.CheckFailed {
		t.Fatalf("%+v", r.Ended)
	}
	if v, _ := h.FitnessOf("b-1"); v.Fitness.State != record.OutOfService || len(v.Failures) != 1 {
		t.Fatalf("%+v", v)
	}
	const failure = "balances/b-1/failures/c000001/"
	var d console.Doubtful
	h.ask(t, "GET", failure+"weighings?limit=2", "", 200, &d)
	if len(d.Weighings) != 2 || d.Unjudged != 5 || d.Next == 0 || d.Weighings[0].Value.Digits != "1.000" {
		t.Fatalf("%+v", d)
	}
	h.ask(t, "POST", failure+"close", `{"reason": "all is well", "by": "ada"}`, 409, nil)
	w := d.Weighings[1]
	h.ask(t, "POST", failure+"judge", fmt.Sprintf(`{"weighings": [{"seq": %d, "id": "another"}], "effect": "affected", "reason": "too near", "by": "ada"}`, w.Seq), 409, nil)
	h.ask(t, "POST", failure+"judge", fmt.Sprintf(`{"weighings": [{"seq": %d, "id": %q}], "effect": "affected", "reason": "too near", "by": "ada"}`, w.Seq, w.ID), 200, nil)
	w, d = d.Weighings[0], console.Doubtful{}
	h.ask(t, "GET", fmt.Sprintf(failure+"weighings?after=%d", w.Seq), "", 200, &d)
	if len(d.Weighings) != 4 || d.Unjudged != 4 || d.Weighings[0].Effect != record.EffectAffected || d.Next != 0 {
		t.Fatalf("%+v", d)
	}
	var judged struct{ Judged int }
	h.ask(t, "POST", failure+"judge", `{"effect": "no effect", "reason": "far from the limit", "by": "ada"}`, 200, &judged)
	if judged.Judged != 4 {
		t.Errorf("%+v", judged)
	}
	var v console.FitnessView
	h.ask(t, "POST", failure+"close", `{"reason": "one was weighed again", "by": "ada"}`, 200, &v)
	if f := v.Failures[0]; !f.Closed || f.Judged != 5 || f.Affected != 1 {
		t.Errorf("%+v", f)
	}
	h.ask(t, "POST", "balances/b-1/in-service", `{"reason": "it was the draught", "by": "ada"}`, 200, &v)
	if v.Fitness.State != record.InService && v.Fitness.State != record.FitnessUnknown {
		t.Errorf("%+v", v.Fitness)
	}
	h.ask(t, "POST", "balances/b-1/in-service", `{"reason": "again", "by": "ada"}`, 409, nil)
	h.stop(t)
	for kind, want := range map[record.Kind]int{record.KindAffectedJudged: 2, record.KindFailureClosed: 1} {
		if n := len(all[record.AffectedJudged](t, h, kind)); n != want {
			t.Errorf("%d entries of %s, want %d", n, kind, want)
		}
	}
}

// TestMoreAreJudgedThanOneEntryHolds: of a long list that a failed check throws doubt on, a page says how many are not judged at the least; all of them
// are judged at once, in as many entries as it takes; closing looks at all.
func TestMoreAreJudgedThanOneEntryHolds(t *testing.T) {
	t.Parallel()
	const many = 2_030 // more than a list counts, and than two entries hold
	h, _ := checkedHouse(t, "")
	for i := range many {
		_, _ = h.cords["port-1"].Write(line(1000 + i))
	}
	until(t, func() bool { return h.Balances()[0].Recorded == many }, "the weighings are not recorded")
	h.begin(t)
	_, _ = h.cords["port-1"].Write(line(0))
	h.checkWaits(t, 3, "place")
	_, _ = h.cords["port-1"].Write(line(20020))
	if r := h.ended(t); r.Ended.Outcome != record.CheckFailed {
		t.Fatalf("%+v", r.Ended)
	}
	const failure = "balances/b-1/failures/c000001/"
	var d console.Doubtful
	h.ask(t, "GET", failure+"weighings?limit=50", "", 200, &d)
	if len(d.Weighings) != 50 || d.Unjudged != 2_000 || !d.AtLeast {
		t.Errorf("%d weighings, %d unjudged, at least: %v", len(d.Weighings), d.Unjudged, d.AtLeast)
	}
	var judged struct{ Judged int }
	h.ask(t, "POST", failure+"judge", `{"effect": "no effect", "reason": "far from the limit", "by": "ada"}`, 200, &judged)
	if judged.Judged != many {
		t.Errorf("%+v", judged)
	}
	d = console.Doubtful{}
	h.ask(t, "GET", fmt.Sprintf(failure+"weighings?after=%d", 0), "", 200, &d)
	if d.Unjudged != 0 || !d.AtLeast || d.Weighings[0].Effect != record.EffectNone {
		t.Errorf("%d unjudged, at least: %v", d.Unjudged, d.AtLeast)
	}
	var v console.FitnessView
	h.ask(t, "POST", failure+"close", `{"reason": "nothing came of it", "by": "ada"}`, 200, &v)
	if f := v.Failures[0]; !f.Closed || f.Judged != many {
		t.Errorf("%+v", f)
	}
	h.stop(t)
	sizes := []int{}
	for _, j := range all[record.AffectedJudged](t, h, record.KindAffectedJudged) {
		sizes = append(sizes, len(j.Weighings))
	}
	if !slices.Equal(sizes, []int{record.MostReleased, record.MostReleased, many - 2*record.MostReleased}) {
		t.Errorf("the entries hold %d", sizes)
	}
}

// TestACertificateIsKeptBesideTheJournal: under its hash, which the weight's entry names; a damaged one is not given out.
func TestACertificateIsKeptBesideTheJournal(t *testing.T) {
	t.Parallel()
	h, _ := checkedHouse(t, "")
	token, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	const pdf = "%PDF-1.7\nthe certificate 4711\n%%EOF\n"
	send := func(method, body string) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, h.PageURL()+"api/v1/reference-weights/f1-20/file?name=4711.pdf&by=ada", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
		if body != "" {
			r.Header.Set("Content-Type", "application/pdf")
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { resp.Body.Close() })
		return resp
	}
	if resp := send("PUT", pdf); resp.StatusCode != 200 {
		t.Fatal(resp.Status)
	}
	w, _ := h.ReferenceWeight("f1-20")
	kept := filepath.Join(h.dir, "journal", "kept", w.Certificate.File.SHA256)
	if b, err := os.ReadFile(kept); err != nil || string(b) != pdf {
		t.Errorf("%q %v", b, err)
	}
	if list, _ := os.ReadDir(filepath.Dir(kept)); len(list) != 1 {
		t.Errorf("%v", list)
	}
	if resp := send("GET", ""); resp.StatusCode != 200 || resp.ContentLength != int64(len(pdf)) {
		t.Errorf("%s", resp.Status)
	}
	if err := os.WriteFile(kept, []byte("%PDF-1.7\nanother\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if resp := send("GET", ""); resp.StatusCode != 503 {
		t.Errorf("a certificate that is not as it was is given out: %s", resp.Status)
	}
	h.stop(t)
	list := all[record.WeightEntry](t, h, record.KindWeightChanged)
	if n := len(list); n != 2 || list[1].Weight.Certificate.File.SHA256 != filepath.Base(kept) || list[1].By.ID != "ada" {
		t.Errorf("%+v", list)
	}
}
