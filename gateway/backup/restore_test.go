package backup

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// shelf is a destination that holds what it was given.
type shelf struct {
	held sinks.Held
	err  error
}

func (s shelf) Held(_ context.Context, after uint64) (sinks.Held, error) {
	h := s.held
	h.Entries = slices.DeleteFunc(slices.Clone(h.Entries), func(e sinks.HeldEntry) bool { return e.Seq <= after })
	return h, s.err
}
func (shelf) Close() error { return nil }

func (b *bench) restoreOrder(into string) RestoreOrder {
	return RestoreOrder{Into: into, Key: b.publicKey(), SigningKey: b.signingKey(), By: record.Actor{ID: "ada", By: record.ActorHost}, Stamp: stampAt(1)}
}

// recorded gives the ids of a closed or open journal after an entry.
func recorded(t testing.TB, dir string, after uint64) (ids []string) {
	t.Helper()
	err := journal.Scan(t.Context(), dir, after, func(e record.Entry) error { ids = append(ids, e.ID); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return ids
}

func (b *bench) signed() []byte {
	b.Helper()
	_, signed, err := b.journal.Checkpoint(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	return signed
}

// What the journal had beyond its backup, and what of it a destination holds, is told and recorded; nothing is skipped, and no
// id is issued twice.
func TestARestoreTellsWhatCameAfterTheBackup(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(50)
	if err := b.journal.SetCursor("lims", 40); err != nil {
		t.Fatal(err)
	}
	f := b.open(b.create(b.order()))
	b.weigh(20) // and then the disk is lost
	lost, kept := recorded(t, b.dir, 50), b.signed()
	lims := shelf{held: sinks.Held{Checkpoints: [][]byte{kept}, Partial: "one folder could not be read"}}
	for _, i := range []int{0, 1, 2, 7, 12} {
		lims.held.Entries = append(lims.held.Entries, sinks.HeldEntry{ID: lost[i], Seq: uint64(51 + i)})
	}
	lims.held.Entries = append(lims.held.Entries, sinks.HeldEntry{ID: "north-lab/zzzzz/b-1/000004", Seq: 77}, sinks.HeldEntry{ID: "other-lab/zzzzz/b-1/000004", Seq: 99})
	into := filepath.Join(t.TempDir(), "journal")
	o := b.restoreOrder(into)
	o.Witnesses = func() ([]Witness, error) {
		return []Witness{{ID: "lims", Ask: lims}, {ID: "broker", Ask: shelf{err: errors.New("no connection")}}, {ID: "hook", Why: "cannot be asked"}}, nil
	}
	done, err := f.Restore(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	m := done.Missing
	if m == nil || m.First != 51 || m.Last != 70 || m.Delivered != 5 || !slices.Equal(m.IDs, []string{lost[0], lost[1], lost[2], lost[7], lost[12]}) || m.More {
		t.Errorf("known missing: %+v", m)
	} else if fmt.Sprint(m.Spans) != "[{51 53} {58 58} {63 63}]" {
		t.Errorf("spans: %v", m.Spans)
	}
	var said []string
	for _, l := range done.Learnt {
		said = append(said, fmt.Sprintf("%s %d %d %s", l.Where, l.Entries, l.Delivered, l.Why))
	}
	want := []string{"backup 50 0 ", "sink lims 70 0 ", "sink lims 63 5 one folder could not be read",
		"sink lims 0 1 these are of other lives of the journal, which this backup does not know: zzzzz",
		"sink broker 0 0 nothing could be learnt from it: no connection", "sink hook 0 0 cannot be asked"}
	if !slices.Equal(said, want) {
		t.Errorf("learnt:\n%s\nwant:\n%s", strings.Join(said, "\n"), strings.Join(want, "\n"))
	}
	j := journaltest.Open(t, journal.Options{Dir: into})
	if at, _ := j.Cursor("lims"); at != 40 {
		t.Errorf("the cursor of lims is at %d", at)
	}
	b.journal = j
	b.weigh(30)
	for _, id := range recorded(t, into, 50) {
		if slices.Contains(lost, id) {
			t.Errorf("the id %s is issued twice", id)
		}
	}
	entries, err := j.Read(t.Context(), 50, 1)
	if err != nil || entries[0].Kind != record.KindRestored || !strings.Contains(string(entries[0].JSON), `"entries":70,"root":`) {
		t.Errorf("the first entry: %s, %v", entries[0].JSON, err)
	}
}

// A journal that has entries which the backup lacks is put aside only with a reason, and never changed.
func TestAJournalWithMoreThanTheBackupIsPutAsideOnlyWithAReason(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(10)
	f := b.open(b.create(b.order()))
	o := b.restoreOrder(b.dir)
	if _, err := f.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "is in use") {
		t.Errorf("in use: %v", err)
	}
	dir := filepath.Join(t.TempDir(), "journal")
	other := journaltest.Open(t, journal.Options{Dir: filepath.Join(t.TempDir(), "x")})
	_ = other
	b2 := &bench{TB: t, dir: dir, folder: t.TempDir()}
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	b2.journal = j
	b2.weigh(10)
	f = b2.open(b2.create(b2.order()))
	o = b2.restoreOrder(dir)
	b2.weigh(3)
	before := recorded(t, dir, 0)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = f.Restore(t.Context(), o)
	if err == nil || !strings.Contains(err.Error(), "the same journal with 13 entries, and the backup has 10 of them") {
		t.Errorf("with more entries: %v", err)
	}
	o.Replace = true
	if _, err = f.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "needs a reason") {
		t.Errorf("without a reason: %v", err)
	}
	if !slices.Equal(recorded(t, dir, 0), before) {
		t.Error("a refused restore changed the journal")
	}
	o.Reason = "the page of entry 12 is torn"
	o.SigningKey = "" // it is in the folder that is put aside
	done, err := f.Restore(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if !done.KeyVouched {
		t.Error("the key in the folder of before does not vouch for the new one")
	}
	if !slices.Equal(recorded(t, done.Kept, 0), before) || !journaltest.Verify(t, done.Kept).Verified {
		t.Errorf("what was put aside in %s has changed", done.Kept)
	}
	if r := journaltest.Verify(t, dir); r.Entries != 12 || len(r.Lives) != 2 || r.Lives[1].Missing != 3 {
		t.Errorf("the restored journal: %+v", r)
	}
	if m := done.Missing; m == nil || m.First != 11 || m.Last != 13 {
		t.Errorf("known missing: %+v", m)
	}
	// The journal that was just restored has more than the backup again.
	o.Replace = false
	if _, err = f.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "another journal") {
		t.Errorf("over a later life: %v", err)
	}
}

// Only what the journal's own key signed is believed, and a backup that does not agree with it is refused.
func TestARestoreBelievesOnlySignedCheckpoints(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(10)
	early := b.signed()
	b.weigh(10)
	f := b.open(b.create(b.order()))
	secret, _, err := note.GenerateKey(rand.Reader, f.Manifest().Origin)
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	forged, err := proof.Checkpoint{Origin: f.Manifest().Origin, Size: 5000}.Sign(stranger)
	if err != nil {
		t.Fatal(err)
	}
	o := b.restoreOrder(filepath.Join(t.TempDir(), "journal"))
	o.Known = []KnownCheckpoint{{"early", early}, {"forged", forged}, {"rubbish", []byte("x")}}
	done, err := f.Restore(t.Context(), o)
	if err != nil || done.Missing != nil || !strings.Contains(done.Learnt[2].Why, "is not believed") || !strings.Contains(done.Learnt[3].Why, "is no checkpoint") {
		t.Errorf("learnt %+v, %v", done.Learnt, err)
	}
	own, err := note.NewSigner(strings.TrimSpace(b.signingKey()))
	if err != nil {
		t.Fatal(err)
	}
	fork, err := proof.Checkpoint{Origin: f.Manifest().Origin, Size: 7}.Sign(own)
	if err != nil {
		t.Fatal(err)
	}
	o = b.restoreOrder(filepath.Join(t.TempDir(), "journal"))
	o.Known = []KnownCheckpoint{{"fork", fork}}
	if _, err := f.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "its first 7 entries are not those that the checkpoint from checkpoint fork signs") {
		t.Errorf("a backup of an altered journal: %v", err)
	}
	if _, err := os.Stat(o.Into); !os.IsNotExist(err) {
		t.Errorf("something was left: %v", err)
	}
}
