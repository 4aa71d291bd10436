package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// signedRun makes a journal with a run that two people signed, entries of others among its own, and gives its folder, its public key and the run.
func signedRun(t *testing.T) (dir, key, run string) {
	t.Helper()
	dir, run = t.TempDir(), "r-7qx3-000017"
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	ref := record.RunRef{ID: run, Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 2, Hash: "sha256:00ff"}}
	at := time.Date(2026, 11, 30, 9, 4, 5, 0, time.UTC)
	stamp := func() record.Stamp {
		at = at.Add(time.Second)
		return record.Stamp{UTC: record.UTC(at), Zone: "+01:00", Clock: record.ClockChecked}
	}
	anna := record.Actor{ID: "anna", Name: "Anna Lind", Role: "operator", By: record.ActorPassword}
	cora := record.Actor{ID: "cora", Name: "Cora Ek", Role: "reviewer", By: record.ActorPassword}
	var entries []record.Entry
	add := func(bodies ...record.Body) {
		t.Helper()
		list, err := j.Append(t.Context(), bodies...)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if yes, err := signature.Covers(run, e); err != nil {
				t.Fatal(err)
			} else if yes {
				entries = append(entries, e)
			}
		}
	}
	other := func() { add(&record.Upkeep{Balance: record.Balance{ID: "b-12"}, Stamp: stamp()}) }
	sign := func(meaning, act, to string, by record.Actor) {
		t.Helper()
		facts, err := signature.Of(entries)
		if err != nil {
			t.Fatal(err)
		}
		next := j.Head() + 1
		named := record.EntryRef{Seq: next, ID: record.EntryID("north-lab", j.Incarnation(), "", next)}
		add(&record.Signature{Run: ref, Meaning: meaning, Statement: signature.Statement(facts, signature.Signer{Meaning: meaning, Name: by.Name, Role: by.Role}), Covers: facts.Covers,
			Name: by.Name, Role: by.Role, Login: by.ID, How: record.ShownBoth, By: by, Zone: "Europe/Stockholm", Stamp: stamp()},
			&record.RunReview{Run: ref, Act: act, From: facts.State, To: to, Signature: &named, By: by, Stamp: stamp()})
	}
	other()
	add(&record.RunBegun{Run: ref, Items: []record.RunItem{{Sample: "lot-7"}}, By: anna, Stamp: stamp()})
	add(&record.Weighing{Balance: record.Balance{ID: "b-12"}, Value: record.Value{Digits: "4.5022", Unit: "g"}, Stamp: stamp(),
		Context: record.Context{Run: &record.Learnt{ID: run, By: record.FromRun}}})
	other()
	add(&record.RunEnded{Run: ref, State: record.RunComplete, Verdict: "passed", Results: []record.RunResult{{Name: "net", Digits: "4.5022", Unit: "g", Verdict: "passed"}},
		By: anna, Stamp: stamp()})
	sign(record.MeansPerformed, record.ActSubmit, record.RunInReview, anna)
	other()
	sign(record.MeansReviewed, record.ActApprove, record.RunApproved, cora)
	key = j.PublicKey()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, key, run
}

// proveRun writes the proof of a run.
func proveRun(t *testing.T, dir, run string) []byte {
	t.Helper()
	file := filepath.Join(t.TempDir(), "run.proof")
	if err := (journalProve{Dir: dir, ID: run, Out: file}).Run(context.Background(), streams{}); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func validateRun(t *testing.T, file []byte, key string, asJSON bool) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := validateProofCommand{File: "-", Key: key, JSON: asJSON}.Run(streams{in: bytes.NewReader(file), out: &out})
	return out.String(), err
}

// TestARunIsProvedWithItsSignatures, with the key alone: who, when with the zone, with which meaning, and whether it still holds.
func TestARunIsProvedWithItsSignatures(t *testing.T) {
	t.Parallel()
	dir, key, run := signedRun(t)
	file := proveRun(t, dir, run)
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	said, err := validateRun(t, file, key, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"run          r-7qx3-000017: 7 entries, numbers ",
		"signature    performed by Anna Lind (operator, anna) on 2026-11-30 10:04:11 +01:00 (Europe/Stockholm), shown by id and secret",
		"signature    reviewed by Cora Ek (reviewer, cora) on 2026-11-30 10:04:14 +01:00 (Europe/Stockholm), shown by id and secret",
		"it holds, and is in force",
		"the first 5 entries are all that the run had when it was signed last; 2 came then or after it",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it does not say %q:\n%s", want, said)
		}
	}
	t.Log("\n" + said)
	text, err := validateRun(t, file, key, true)
	var got provedRun
	if err != nil || json.Unmarshal([]byte(text), &got) != nil || !got.Proved || len(got.Signatures) != 2 || !got.Signatures[1].InForce || len(got.Entries) != 7 ||
		!strings.Contains(got.Signatures[1].Statement, "net: 4.5022 g; passed") {
		t.Errorf("%v: %+v", err, got)
	}
	// Another key, and a file in which a digit is another.
	if _, err := validateRun(t, file, "weighpost/north-lab/2fpyw+db1830b3+ASTDHMTetCb4K2bXHVCc3FOzHtAmb/Vfa5dgeAyVESIN", false); err == nil || !strings.Contains(err.Error(), "proves nothing") {
		t.Errorf("with another key: %v", err)
	}
	if _, err := validateRun(t, bytes.Replace(file, []byte("4.5022"), []byte("4.5122"), 1), key, false); err == nil || !strings.Contains(err.Error(), "proves nothing") {
		t.Errorf("with another digit: %v", err)
	}
}

// TestAnEntryThatIsLeftOutOfTheProofOfARunIsFound: each that remains is the journal's, and the signature does not cover them.
func TestAnEntryThatIsLeftOutOfTheProofOfARunIsFound(t *testing.T) {
	t.Parallel()
	dir, key, run := signedRun(t)
	file := string(proveRun(t, dir, run))
	parts := strings.Split(file, "\nentry ")
	for i := 1; i < len(parts)-2; i++ {
		without := strings.Join(append(append([]string{}, parts[:i]...), parts[i+1:]...), "\nentry ")
		said, err := validateRun(t, []byte(without), key, false)
		if err == nil || !strings.Contains(err.Error(), "what is signed under them does not hold") || !strings.Contains(said, "DOES NOT HOLD") && !strings.Contains(said, "WRONG") {
			t.Errorf("without entry %d: %v\n%s", i, err, said)
		}
	}
	if err := (journalProve{Dir: dir, ID: "r-7qx3-000018"}).Run(context.Background(), streams{out: &bytes.Buffer{}}); err == nil || !strings.Contains(err.Error(), "has no run r-7qx3-000018") {
		t.Errorf("a run that there is not: %v", err)
	}
}
