package bundle_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/bundle"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// lab is a journal that is open, at a regional seed bank.
type lab struct {
	t    testing.TB
	dir  string
	j    *journal.Journal
	all  []record.Entry
	tick int
}

var (
	balance = record.Balance{ID: "b-12", Serial: "0047-112", Readability: "0.0001 g", Identity: "confirmed"}
	anna    = record.Actor{ID: "anna", Name: "Anna Lind", Role: "operator", By: record.ActorPassword, Where: "page"}
	bela    = record.Actor{ID: "bela", Name: "Bela <b>Sol</b>", Role: "reviewer", By: record.ActorPassword, Where: "page"}
)

func newLab(t testing.TB) *lab {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "journal")
	return &lab{t: t, dir: dir, j: journaltest.Open(t, journal.Options{Dir: dir})}
}

func (l *lab) stamp() record.Stamp {
	l.tick++
	bound := record.Span(21 * time.Millisecond)
	return record.Stamp{UTC: record.UTC(time.Date(2026, 11, 30, 9, 0, l.tick, 0, time.UTC)), Zone: "+01:00", Bound: &bound, Clock: record.ClockChecked, Sources: 3}
}

// add appends, in one commit.
func (l *lab) add(bodies ...record.Body) record.EntryRef {
	l.t.Helper()
	list, err := l.j.Append(context.Background(), bodies...)
	if err != nil {
		l.t.Fatal(err)
	}
	l.all = append(l.all, list...)
	return record.EntryRef{Seq: list[0].Seq, ID: list[0].ID}
}

// sign has the journal sign its head.
func (l *lab) sign() {
	l.t.Helper()
	if _, _, err := l.j.Checkpoint(context.Background()); err != nil {
		l.t.Fatal(err)
	}
}

func (l *lab) key() note.Verifier {
	l.t.Helper()
	text, err := os.ReadFile(filepath.Join(l.dir, "key.pub"))
	if err != nil {
		l.t.Fatal(err)
	}
	k, err := proof.ParseKey(string(text))
	if err != nil {
		l.t.Fatal(err)
	}
	return k
}

// keep puts a file beside the journal.
func (l *lab) keep(name string, content []byte) *record.KeptFile {
	l.t.Helper()
	sum := sha256.Sum256(content)
	f := &record.KeptFile{Name: name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(content))}
	folder := filepath.Join(l.dir, journal.KeptFolder)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		l.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, f.SHA256), content, 0o600); err != nil {
		l.t.Fatal(err)
	}
	return f
}

func (l *lab) weighing(run, sample, digits string) *record.Weighing {
	w := &record.Weighing{Balance: balance, Value: record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Frame: []byte("N     " + digits + " g\r\n"), Layout: "sha256:layout", Trigger: "printed", Port: "/dev/ttyS0", Stamp: l.stamp(),
		Fitness: record.Fitness{State: "in service"}, Software: record.Software{Version: "test", Config: "sha256:config"}}
	if run != "" {
		w.Context.Run = &record.Learnt{ID: run, By: record.FromRun}
	}
	w.Context.Sample = &record.Learnt{ID: sample, By: record.ByScanned}
	return w
}

func runRef(id string) record.RunRef {
	return record.RunRef{ID: id, Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 2, Hash: "sha256:00ff"}}
}

// perform performs a run of some weighings. Other entries come between them.
func (l *lab) perform(run, sample string, digits ...string) {
	ref, items := runRef(run), []record.RunItem{{Sample: sample, Lot: "L-7"}}
	begun := l.add(&record.RunBegun{Run: ref, Balance: &balance, Items: items, By: anna, Stamp: l.stamp()})
	end := &record.RunEnded{Run: ref, Balance: &balance, State: record.RunComplete, Verdict: "passed", Items: items, Begun: begun, Balances: []string{"b-12"}, People: []string{"anna"}, By: anna}
	for i, d := range digits {
		w := l.add(l.weighing(run, sample, d))
		l.add(l.weighing("", "LOT-900", "0.1234"))
		end.Weighings = append(end.Weighings, w)
		end.Steps = append(end.Steps, l.add(&record.RunStep{Run: ref, Balance: &balance, Step: fmt.Sprintf("weigh-%d", i+1), Became: record.StepTaken, Weighing: &w, By: anna, Stamp: l.stamp()}))
		end.Results = append(end.Results, record.RunResult{Name: fmt.Sprintf("mass-%d", i+1), Digits: d, Unit: "g", Verdict: "passed"})
	}
	end.Stamp = l.stamp()
	l.add(end)
}

// act appends an act of the review of a run with its signature, as the daemon does: both in one commit.
func (l *lab) act(run, act, from, to, meaning string, by record.Actor) {
	l.t.Helper()
	var entries []record.Entry
	for _, e := range l.all {
		if is, err := signature.Covers(run, e); err != nil {
			l.t.Fatal(err)
		} else if is {
			entries = append(entries, e)
		}
	}
	facts, err := signature.Of(entries)
	if err != nil {
		l.t.Fatal(err)
	}
	seq := l.all[len(l.all)-1].Seq + 1
	id := record.EntryID("north-lab", l.j.Incarnation(), "", seq)
	s := &record.Signature{Run: runRef(run), Balance: &balance, Meaning: meaning, Statement: signature.Statement(facts, signature.Signer{Meaning: meaning, Name: by.Shown(), Role: by.Role}),
		Covers: facts.Covers, Name: by.Shown(), Role: by.Role, Login: by.ID, How: record.ShownBoth, Session: "s-1", By: by, Zone: "Europe/Berlin", Stamp: l.stamp()}
	l.add(s, &record.RunReview{Run: runRef(run), Balance: &balance, Act: act, From: from, To: to, Seen: seq - 1, Signature: &record.EntryRef{Seq: seq, ID: id}, By: by, Stamp: l.stamp()})
}

// exclude says that a weighing of a run is not to be used.
func (l *lab) exclude(run string, of record.EntryRef, state string, results ...record.RunResult) {
	l.add(&record.RunCorrected{Run: runRef(run), Balance: &balance, Change: record.CorrectExclude, Of: of, Reason: "spilt", Comment: "on the bench", From: state, To: state,
		Results: results, Verdict: "passed", Excluded: []record.EntryRef{of}, By: anna, Stamp: l.stamp()})
}

const signedRun = "r-7qx3-000002"

// day is a journal in which one run is reviewed and signed, with one of its weighings excluded.
func day(t testing.TB) *lab {
	l := newLab(t)
	l.add(&record.Configured{To: "sha256:config", Config: []byte(`{"site":"north-lab"}`), Layouts: map[string]string{"sha256:layout": "name: bench"}, Changes: []string{}, Stamp: l.stamp()},
		&record.ProcedureChanged{Procedure: runRef("").Procedure, Change: "written", Title: "Moisture of seed", Source: "name: seed-moisture\n", By: bela, Stamp: l.stamp()})
	l.perform("r-7qx3-000001", "LOT-1001", "10.0001", "10.0002")
	l.sign()
	l.perform(signedRun, "LOT-1002 <script>alert(1)</script>", "12.3450", "12.3460", "99.0000")
	picture := l.keep("slip.jpg", []byte("a picture of a slip"))
	l.add(&record.LateEntered{Balance: balance, Value: record.Value{Digits: "5.0000", Unit: "g", Kind: "net", Stability: "unknown", Range: "in"}, Weighed: record.UTC(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)),
		Picture: picture, Origin: "slip", Context: record.Context{Run: &record.Learnt{ID: signedRun, By: record.FromRun}}, Reason: "the cable was out", By: anna, Stamp: l.stamp()})
	var third record.EntryRef
	for _, e := range l.all {
		if e.Kind == record.KindWeighing && bytes.Contains(e.JSON, []byte("99.0000")) {
			third = record.EntryRef{Seq: e.Seq, ID: e.ID}
		}
	}
	l.exclude(signedRun, third, record.RunComplete, record.RunResult{Name: "mass-1", Digits: "12.3450", Unit: "g", Verdict: "passed"})
	l.add(&record.RunReview{Run: runRef(signedRun), Act: record.ActSubmit, From: record.RunComplete, To: record.RunInReview, By: anna, Stamp: l.stamp()})
	l.act(signedRun, record.ActApprove, record.RunInReview, record.RunApproved, record.MeansReviewed, bela)
	ref, paper := runRef(signedRun), l.keep("rep-7qx3-000001.pdf", []byte("a report on paper"))
	l.add(&record.ReportIssued{Report: "rep-7qx3-000001", Of: "run", About: signedRun, Run: &ref, Template: "run", Sum: paper.SHA256, Size: paper.Bytes, By: bela, Stamp: l.stamp()})
	l.perform("r-7qx3-000003", "LOT-1003", "10.0001")
	l.sign()
	return l
}

// pack makes a bundle.
func (l *lab) pack(of bundle.Of) []byte {
	l.t.Helper()
	p, err := bundle.Open(context.Background(), bundle.Order{Dir: l.dir, Of: of, Version: "test"})
	if err != nil {
		l.t.Fatal(err)
	}
	defer p.Close()
	var b bytes.Buffer
	if err := p.Write(context.Background(), &b); err != nil {
		l.t.Fatal(err)
	}
	return b.Bytes()
}

// verify looks at a bundle.
func verify(t testing.TB, b []byte, key note.Verifier) bundle.Found {
	t.Helper()
	f, err := bundle.Verify(context.Background(), bytes.NewReader(b), int64(len(b)), key, "test")
	if err != nil {
		return bundle.Found{Faults: []string{err.Error()}}
	}
	return f
}

// rotate has another key sign from here on.
func (l *lab) rotate() {
	l.t.Helper()
	if _, err := l.j.RotateKey(context.Background(), journal.Rotation{By: bela, Reason: "the computer was given to another room", Stamp: l.stamp()}); err != nil {
		l.t.Fatal(err)
	}
	l.sign()
}

func decode[T any](t testing.TB, e record.Entry) (b T) {
	t.Helper()
	if err := json.Unmarshal(e.JSON, &b); err != nil {
		t.Fatal(err)
	}
	return b
}
