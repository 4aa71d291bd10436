package access_test

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const snapshot = "people.json"

// people gives what the book says of everybody, as text.
func (r *rig) people() string {
	r.t.Helper()
	list, _, err := r.book.People(host)
	if err != nil {
		r.t.Fatal(err)
	}
	keys, err := r.book.Keys(host)
	if err != nil {
		r.t.Fatal(err)
	}
	held, err := r.book.HeldOn(r.t.Context(), host, r.clock())
	if err != nil {
		r.t.Fatal(err)
	}
	b, err := json.Marshal([]any{list, keys, held})
	if err != nil {
		r.t.Fatal(err)
	}
	return string(b)
}

// busy does some of everything.
func (r *rig) busy() {
	r.t.Helper()
	r.add("p-07", rights.Operator)
	r.pass(time.Hour)
	r.add("boss", rights.IT)
	r.pass(time.Hour)
	roles := []string{rights.Operator, rights.Auditor}
	if _, err := r.book.ChangePerson(r.t.Context(), host, "p-07", rights.PersonChange{Roles: &roles, Reason: "audits too"}); err != nil {
		r.t.Fatal(err)
	}
	if _, err := r.book.AddBadge(r.t.Context(), host, "p-07", "B-0007", ""); err != nil {
		r.t.Fatal(err)
	}
	if _, err := r.book.MakeKey(r.t.Context(), host, rights.NewKey{ID: "lims", Name: "The lab system", Roles: []string{rights.Machine}}); err != nil {
		r.t.Fatal(err)
	}
}

// TestRestart: whatever became of the snapshot, a start knows the same people, the secrets go on, and open sessions are lost.
func TestRestart(t *testing.T) {
	for _, c := range []struct {
		what string
		do   func(t *testing.T, path string, old []byte)
	}{
		{"the snapshot is as it was left", func(*testing.T, string, []byte) {}},
		{"the snapshot is deleted", func(t *testing.T, path string, _ []byte) { os.Remove(path) }},
		{"the snapshot is cut", func(t *testing.T, path string, _ []byte) { cut(t, path, 2) }},
		{"the snapshot is empty", func(t *testing.T, path string, _ []byte) { os.WriteFile(path, nil, 0o600) }},
		{"the snapshot is older than the journal", func(t *testing.T, path string, old []byte) { os.WriteFile(path, old, 0o600) }},
		{"the snapshot is another journal's", func(t *testing.T, path string, _ []byte) { os.WriteFile(path, foreign(t), 0o600) }},
		{"the snapshot was changed", func(t *testing.T, path string, _ []byte) {
			b, _ := os.ReadFile(path)
			os.WriteFile(path, []byte(strings.Replace(string(b), `"operator"`, `"it"`, 1)), 0o600)
		}},
	} {
		t.Run(c.what, func(t *testing.T) {
			r := newRig(t)
			r.add("early", rights.Reviewer)
			r.close()
			old, err := os.ReadFile(filepath.Join(r.dir, snapshot))
			if err != nil {
				t.Fatal(err)
			}
			r.open()
			r.busy()
			s := r.signIn("p-07", good("p-07"))
			before := r.people()
			r.close()
			c.do(t, filepath.Join(r.dir, snapshot), old)
			r.open()
			if after := r.people(); after != before {
				t.Errorf("before %s\nafter  %s", before, after)
			}
			if _, err := r.book.WhoIs(s.Secret, ""); err == nil {
				t.Error("a session went on over a restart")
			}
			r.waitFor("the session is lost", func() bool {
				out := entries[record.SignedOut](r, record.KindSignedOut)
				last := out[len(out)-1]
				return last.Session == s.ID && last.Cause == "lost"
			})
			r.signIn("p-07", good("p-07"))
		})
	}
}

func cut(t *testing.T, path string, part int64) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()/part); err != nil {
		t.Fatal(err)
	}
}

// foreign is the snapshot of another journal, shorter than the one it is put beside.
func foreign(t *testing.T) []byte {
	t.Helper()
	r := newRig(t)
	r.add("stranger", rights.IT)
	r.close()
	b, err := os.ReadFile(filepath.Join(r.dir, snapshot))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestStateIsAFunctionOfTheEntries: the people of a life that was cut into pieces are those of one reading from the beginning.
func TestStateIsAFunctionOfTheEntries(t *testing.T) {
	r := newRig(t)
	r.busy()
	r.close()
	r.open()
	off := true
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Disabled: &off, Reason: "left"}); err != nil {
		t.Fatal(err)
	}
	pieces := r.people()
	r.close()
	if err := os.Remove(filepath.Join(r.dir, snapshot)); err != nil {
		t.Fatal(err)
	}
	r.open()
	if whole := r.people(); whole != pieces {
		t.Errorf("in pieces %s\nas a whole %s", pieces, whole)
	}
}

// TestAManyEntriesAreReadBeside: a start does not wait for a long journal; whoever asks of people does.
func TestManyEntriesAreReadBeside(t *testing.T) {
	r := newRig(t)
	r.busy()
	before := r.people()
	r.close()
	os.Remove(filepath.Join(r.dir, snapshot))
	defer access.ReadLater(3)()
	b, err := access.Open(t.Context(), r.options())
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		_, err := b.AddPerson(context.Background(), host, rights.NewPerson{ID: "p-07", Name: "Taken", Roles: []string{rights.Operator}})
		done <- err
	}()
	select {
	case err := <-done:
		t.Fatalf("it did not wait: %v", err)
	case <-time.After(50 * time.Millisecond):
	}
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan struct{})
	go func() { defer close(ran); b.Run(ctx) }()
	if err := <-done; err == nil {
		t.Error("an id that is taken was given away")
	}
	r.book = b
	if after := r.people(); after != before {
		t.Errorf("%s", after)
	}
	r.stop = func() { cancel(); <-ran }
}

// TestWithoutTheVault: after a restore without the file of secrets nobody gets in, and a condition says what to do.
func TestWithoutTheVault(t *testing.T) {
	r := newRig(t)
	r.busy()
	r.close()
	if err := os.Remove(filepath.Join(r.dir, "secrets.json")); err != nil {
		t.Fatal(err)
	}
	r.open()
	if got := r.says(health.SecretsMissing, "people"); !strings.Contains(got, "The secrets of 2 people") {
		t.Errorf("%q", got)
	}
	if _, err := r.try("p-07", good("p-07")); err == nil {
		t.Error("somebody without a secret was let in")
	}
	if _, err := r.try("p-07", ""); err == nil {
		t.Error("somebody without a secret was let in by an empty one")
	}
	first, err := r.book.ResetSecret(t.Context(), host, "p-07", "restored without secrets")
	if err != nil {
		t.Fatal(err)
	}
	r.pass(time.Hour)
	r.signIn("p-07", first)
	if got := r.says(health.SecretsMissing, "people"); !strings.Contains(got, "The secrets of 1 people") {
		t.Errorf("%q", got)
	}
}

// TestAJournalThatCannotBeRead: nobody is let in, and no account is made, rather than all being forgotten.
func TestAJournalThatCannotBeRead(t *testing.T) {
	r := newRig(t)
	r.busy()
	r.close()
	j := journaltest.Open(t, journal.Options{Site: "seed-bank"})
	// An entry of a kind that tells of people, and cannot be read as one.
	bad := broken{Log: j, at: 1}
	if _, err := j.Append(t.Context(), &record.Gap{Why: "a test", Balance: record.About{ID: "b-1"}}); err != nil {
		t.Fatal(err)
	}
	o := r.options()
	o.Dir, o.Journal = t.TempDir(), bad
	if _, err := access.Open(t.Context(), o); err == nil || !strings.Contains(err.Error(), "entry 1") {
		t.Errorf("%v", err)
	}
}

type broken struct {
	access.Log
	at uint64
}

func (b broken) Read(ctx context.Context, after uint64, most int) ([]record.Entry, error) {
	list, err := b.Log.Read(ctx, after, most)
	for i := range list {
		if list[i].Seq == b.at {
			list[i].Kind, list[i].JSON = record.KindPersonChanged, json.RawMessage(`{"person": 7}`)
		}
	}
	return list, err
}
