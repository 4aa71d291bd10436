package asked

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// request is one of the lab system's, with words that mean something to paths, topics and tables.
func request(id, sample, more string) string {
	return fmt.Sprintf(`{"id": %q, "procedure": "dry-mass", "items": [{"sample": %q, "position": 2, "fields": {"tray": "B7/ä"}}], "parameters": {"portion": "10 g"},
		"job": "J/2026+#", "task": "T-3", "fields": {"ordered by": "field station \"4\""}%s}`, id, sample, more)
}

const (
	overRest, overBroker, overFile = "R/1", "R-2", "R-3"
	folder                         = "folder"
)

// TestALabSystemFromRequestToResult: requests come over the API, a broker and a dropped file, each twice, with rubbish between them; one is put first, one is
// cancelled; runs are done at a balance, while the broker is frozen, and killed, and the daemon restarted in the middle. Over every way that the lab
// system reads, each of its requests comes back with what became of it, under its own ids, and nothing is lost or done twice; and what happened in the
// runs while there was no broker comes over the broker afterwards, in its order.
func TestALabSystemFromRequestToResult(t *testing.T) {
	l := newLab(t)
	l.asks()
	l.rubbish()
	l.changes()
	l.order(overBroker, overRest, overFile)
	run := l.begin("lims", overRest, "LOT-1")
	l.broker.Freeze(t)
	l.weigh(run, "9.998", record.RequestRef{From: "lims", ID: overRest})
	l.broker.Thaw(t)
	run = l.begin("broker", overBroker, "LOT-2")
	l.broker.Kill(t)
	l.stop()
	l.start()
	l.weigh(run, "10.001", record.RequestRef{From: "broker", ID: overBroker})
	l.broker.Start(t)
	run = l.begin(folder, overFile, "LOT-3")
	l.abandon(run)
	l.again()
	l.told()
	l.once(l.afterwards())
}

// asks sends each request twice.
func (l *lab) asks() {
	l.t.Helper()
	for i := range 2 {
		again := fmt.Sprintf(`"again":%v`, i > 0)
		status, answer := l.rest("POST", "requests", request(overRest, "LOT-1", ""))
		if status != 200 || i > 0 && !strings.Contains(answer, again) || i == 0 && strings.Contains(answer, `"again":true`) {
			l.t.Fatalf("%d %s", status, answer)
		}
		mark := fmt.Sprint("m", i)
		if answer = l.publish(mark, request(overBroker, "LOT-2", `, "request": "`+mark+`"`)); !strings.Contains(answer, `"accepted":true`) {
			l.t.Fatal(answer)
		}
		answer = l.drop(fmt.Sprint("file", i), "["+request(overFile, "LOT-3", "")+","+request("R-4", "LOT-4", "")+"]")
		if !strings.Contains(answer, `"done": 2`) {
			l.t.Fatal(answer)
		}
	}
}

// rubbish is refused with a sentence over each way, and leaves nothing.
func (l *lab) rubbish() {
	l.t.Helper()
	for body, want := range map[string]string{
		request("R-9", "LOT-1", `, "colour": "red"`): "is unknown", `{"id": "R-9", "procedure": "wet-mass"}`: "no procedure wet-mass", "{": "", "[[]]": "an object in JSON",
		strings.Replace(request("R-9", "LOT-1", ""), "10 g", "10 m", 1):              "portion",
		strings.Replace(request("R-9", "LOT-1", ""), `"LOT-1"`, `"LOT\u0000"`, 1):    "cannot be seen",
		strings.Replace(request(overRest, "LOT-1", ""), "J/2026+#", "J-other", 1):    "",
		strings.Replace(request(overBroker, "LOT-9", ""), "R-2", "'; DROP TABLE", 1): "",
	} {
		status, answer := l.rest("POST", "requests", body)
		if strings.Contains(body, "DROP TABLE") && status == 200 { // a strange id is an id: it is taken back
			if status, answer = l.rest("POST", "requests", `{"id": "'; DROP TABLE", "cancel": "strange"}`); status != 200 {
				l.t.Errorf("%d %s", status, answer)
			}
			continue
		}
		if status < 400 || status >= 500 || !strings.Contains(answer, want) {
			l.t.Errorf("%s: %d %s", body, status, answer)
		}
	}
	if answer := l.publish("", `{"id": "R-9"`); !strings.Contains(answer, "cannot be read") {
		l.t.Error(answer)
	}
	if answer := l.drop("rubbish", `{"id": "R-9", "id": "R-8", "procedure": "dry-mass"}`); !strings.Contains(answer, "there twice") {
		l.t.Error(answer)
	}
}

func (l *lab) changes() {
	l.t.Helper()
	if answer := l.publish("first", `{"id": "R-2", "change": {"priority": 1, "reason": "the customer waits"}, "request": "first"}`); !strings.Contains(answer, `"accepted":true`) {
		l.t.Error(answer)
	}
	if answer := l.drop("less", `[{"id": "R-4", "cancel": "the lot was withdrawn"}, {"id": "R-3", "change": {"priority": 9}}]`); !strings.Contains(answer, `"done": 2`) {
		l.t.Error(answer)
	}
	if status, answer := l.rest("PATCH", "requests/broker/R-2", `{"priority": 9}`); status != 403 {
		l.t.Errorf("another's request: %d %s", status, answer)
	}
}

// order holds what the balance has to do.
func (l *lab) order(ids ...string) {
	l.t.Helper()
	_, answer := l.rest("GET", "requests?balance=b-1", "")
	var list struct{ Requests []console.RequestView }
	if err := json.Unmarshal([]byte(answer), &list); err != nil {
		l.t.Fatal(err)
	}
	var got []string
	for _, q := range list.Requests {
		got = append(got, q.ID)
	}
	if !slices.Equal(got, ids) {
		l.t.Errorf("%q, not %q", got, ids)
	}
}

var ada = record.Actor{ID: "ada", Name: "Ada Quill", By: record.ActorHost, Where: "a test"}

// begin begins a run of a request, and says which sample it is.
func (l *lab) begin(from, id, sample string) (run string) {
	l.t.Helper()
	v, err := l.g.BeginRun(l.t.Context(), console.RunOrder{Request: &record.RequestRef{From: from, ID: id}, Balance: "b-1"}, ada)
	if err == nil {
		v, err = l.g.ActOnRun(l.t.Context(), v.ID, console.RunAct{Scan: sample}, ada)
	}
	if err != nil || v.Next.Waiting != "weight" {
		l.t.Fatalf("%v %+v", err, v.Next)
	}
	return v.ID
}

// weigh has the balance print, until the run and its request are complete.
func (l *lab) weigh(run, weight string, ref record.RequestRef) {
	l.t.Helper()
	l.until("balance b-1 is not heard", func() bool { return l.g.Balances()[0].PortUp })
	l.until("the run "+run+" is not at its balance", func() bool {
		v, err := l.g.ContextOf("b-1")
		return err == nil && slices.ContainsFunc(v.Items, func(i record.ContextHeld) bool { return i.Name == record.ItemRun && i.ID == run })
	})
	time.Sleep(60 * time.Millisecond) // the silence that shows that a frame begins
	if _, err := fmt.Fprintf(l.line, "W %s g S\r\n", weight); err != nil {
		l.t.Fatal(err)
	}
	l.until("the request "+ref.ID+" is not complete", func() bool {
		q, _ := l.g.LabRequest(ref)
		return q.State == record.RequestComplete
	})
}

func (l *lab) abandon(run string) {
	l.t.Helper()
	if status, answer := l.rest("POST", "requests/lims/"+overFile+"/cancel", `{"reason": "x"}`); status != 404 {
		l.t.Errorf("of another sender: %d %s", status, answer)
	}
	if answer := l.drop("late", `{"id": "R-3", "cancel": "too late"}`); !strings.Contains(answer, "abandon it first") {
		l.t.Error(answer)
	}
	if _, err := l.g.ActOnRun(l.t.Context(), run, console.RunAct{Abandon: "it was spilt"}, ada); err != nil {
		l.t.Fatal(err)
	}
}

// again sends what came once more, after the restart: nothing comes of it, and the sender is told how it stands.
func (l *lab) again() {
	l.t.Helper()
	if status, answer := l.rest("POST", "requests", request(overRest, "LOT-1", "")); status != 200 || !strings.Contains(answer, `"again":true`) || !strings.Contains(answer, "complete") {
		l.t.Errorf("%d %s", status, answer)
	}
	if answer := l.publish("late", request(overBroker, "LOT-2", `, "request": "late"`)); !strings.Contains(answer, `"state":"complete"`) {
		l.t.Error(answer)
	}
	if answer := l.drop("again", request(overFile, "LOT-3", "")); !strings.Contains(answer, `"state": "abandoned"`) {
		l.t.Error(answer)
	}
}

// want is what becomes of each request, by sender and id.
var want = map[string]string{
	"lims " + overRest:      "received begun complete 9.998 g passed",
	"lims '; DROP TABLE":    "received cancelled",
	"broker " + overBroker:  "received changed begun complete 10.001 g failed",
	folder + " " + overFile: "received changed begun abandoned",
	folder + " " + "R-4":    "received cancelled",
}

// told holds what came back over each way: for each request in its order, as often as it may come, with the sender's own words exactly.
func (l *lab) told() {
	l.t.Helper()
	for _, way := range []string{"mqtt", "plain", "events", "share"} {
		got := l.heard(way)
		for end := time.Now().Add(patience); !reflect.DeepEqual(got, want) && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			got = l.heard(way)
		}
		if !reflect.DeepEqual(got, want) {
			l.t.Errorf("%s: %v\nnot\n%v", way, got, want)
		}
	}
}

// heard reads what came over a way. What comes again, by its id, is what it was.
func (l *lab) heard(way string) map[string]string {
	l.t.Helper()
	l.mu.Lock()
	bodies := slices.Clone(l.came[way])
	l.mu.Unlock()
	if way == "share" {
		bodies = l.lines()
	}
	heard, seen := map[string]string{}, map[string]bool{}
	for _, b := range bodies {
		if way == "events" {
			var event struct{ Data json.RawMessage }
			if err := json.Unmarshal(b, &event); err != nil {
				l.t.Fatalf("%s: %v", b, err)
			}
			b = event.Data
		}
		var e record.LabRequestChanged
		if err := json.Unmarshal(b, &e); err != nil || e.ID == "" || e.Request.From == "" {
			l.t.Fatalf("%s: %s: %v", way, b, err)
		}
		if seen[e.ID] {
			continue
		}
		seen[e.ID] = true
		l.words(way, &e)
		says := e.Change
		for _, r := range e.Results {
			says += " " + r.Digits + " " + r.Unit + " " + r.Verdict
			if r.Item == nil || r.Item.Position != 2 || r.Item.Fields["tray"] != "B7/ä" {
				l.t.Errorf("%s: the result does not name its sample: %+v", way, r)
			}
		}
		key := e.Request.From + " " + e.Request.RequestRef.ID
		heard[key] = strings.TrimSpace(heard[key] + " " + says)
	}
	return heard
}

// words holds that the sender's own words are as they were sent.
func (l *lab) words(way string, e *record.LabRequestChanged) {
	l.t.Helper()
	q := &e.Request
	if q.Job != "J/2026+#" || q.Task != "T-3" || !reflect.DeepEqual(q.Fields, map[string]string{"ordered by": `field station "4"`}) || q.Parameters["portion"] != "10 g" ||
		len(q.Items) != 1 || q.Items[0].Position != 2 || q.Items[0].Fields["tray"] != "B7/ä" {
		l.t.Errorf("%s: %+v", way, q)
	}
}

// lines are those of all files of the share.
func (l *lab) lines() (list [][]byte) {
	_ = filepath.WalkDir(filepath.Join(l.dir, "share"), func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		for line := range strings.Lines(string(b)) {
			if strings.HasSuffix(line, "\n") && !strings.Contains(line, `"note":"`) { // a checkpoint of the journal is no entry
				list = append(list, []byte(line))
			}
		}
		return err
	})
	return list
}

// afterwards is what came of the runs over the broker, in the order in which it first came. What the broker took and could not acknowledge any more may
// come again, just as it was.
func (l *lab) afterwards() (got []string) {
	l.t.Helper()
	again := 0
	l.until("what happened in the runs is behind the broker", func() bool {
		seen := map[string]bool{}
		got, again = nil, 0
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, b := range l.came["run"] {
			if seen[string(b)] {
				again++
				continue
			}
			seen[string(b)] = true
			got = append(got, string(b))
		}
		return len(got) >= 3+5+2+3 // begun, steps, weighings, ended
	})
	l.t.Logf("of the runs %d entries came over the broker, and %d of them again", len(got), again)
	return got
}

// once holds that the journal has each of it one time, and nothing of what was refused; and that behind the broker is of the runs what the journal has, by
// its bytes and in its order.
func (l *lab) once(behind []string) {
	l.t.Helper()
	l.stop()
	got := map[string]string{}
	runs := map[string]int{}
	var ran []string
	err := journal.Scan(l.t.Context(), filepath.Join(l.dir, "journal"), 0, func(e record.Entry) error {
		switch e.Kind {
		case record.KindRequestChanged:
			var c record.LabRequestChanged
			if err := json.Unmarshal(e.JSON, &c); err != nil {
				return err
			}
			key := c.Request.From + " " + c.Request.RequestRef.ID
			says := c.Change
			for _, r := range c.Results {
				says += " " + r.Digits + " " + r.Unit + " " + r.Verdict
			}
			got[key] = strings.TrimSpace(got[key] + " " + says)
		case record.KindRunBegun, record.KindRunEnded:
			runs[string(e.Kind)]++
		}
		if slices.Contains(ofRuns, string(e.Kind)) {
			ran = append(ran, string(e.JSON))
		}
		return nil
	})
	if err != nil || !reflect.DeepEqual(got, want) || runs["run-begun"] != 3 || runs["run-ended"] != 3 {
		l.t.Errorf("the journal: %v %v %v\nnot\n%v", err, got, runs, want)
	}
	if !slices.Equal(behind, ran) {
		l.t.Errorf("of the runs there came over the broker\n%s\nand the journal has\n%s", strings.Join(behind, "\n"), strings.Join(ran, "\n"))
	}
}
