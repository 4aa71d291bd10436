package journal

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

func TestEveryEntryCanBeProvedByEveryKeyThatLeadsThere(t *testing.T) {
	t.Parallel()
	dir, keys := rotated(t, 2)
	n := uint64(0)
	must(t, Scan(context.Background(), dir, 0, func(e record.Entry) error {
		n++
		p, err := Prove(context.Background(), dir, e.ID, ProveOptions{})
		if err != nil {
			return err
		}
		text, err := p.Marshal()
		must(t, err)
		p, err = proof.Parse(text)
		must(t, err)
		for i, k := range keys {
			key, err := proof.ParseKey(k)
			must(t, err)
			v, err := p.Verify(key)
			if err != nil || string(v.Entry.JSON) != string(e.JSON) || v.Checkpoint.Size != 22 {
				t.Errorf("entry %d by key %d: %v, %+v", e.Seq, i, err, v.Checkpoint)
			}
		}
		return nil
	}))
	if n != 22 {
		t.Errorf("%d entries", n)
	}
}

func TestAnEntryIsProvedWhileTheJournalIsWritten(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, signEvery: time.Hour})
	appendN(t, j, "b-12", 3)
	_, err := Prove(context.Background(), dir, "2", ProveOptions{})
	if err == nil || !strings.Contains(err.Error(), "no checkpoint covers entry 2 yet") {
		t.Errorf("%v", err)
	}
	_, _, err = j.Checkpoint(context.Background())
	must(t, err)
	appendN(t, j, "b-12", 3)
	p, err := Prove(context.Background(), dir, "2", ProveOptions{})
	must(t, err)
	key, err := proof.ParseKey(j.PublicKey())
	must(t, err)
	if v, err := p.Verify(key); err != nil || v.Checkpoint.Size != 3 || v.Entry.Seq != 2 {
		t.Errorf("%+v, %v", v, err)
	}
	if _, err := Prove(context.Background(), dir, "5", ProveOptions{}); err == nil {
		t.Error("an entry after the last checkpoint was proved")
	}
	must(t, j.Close())
}

func TestNothingIsProvedOfAJournalThatDisagreesWithItself(t *testing.T) {
	made := specimen(t)
	for what, sql := range map[string]string{
		"an edited entry":    "UPDATE entries SET json = replace(json, 'lot-', 'lit-') WHERE seq = 9",
		"an edited hash":     "UPDATE entries SET hashes = zeroblob(length(hashes)) WHERE seq = 10",
		"an edited note":     "UPDATE checkpoints SET note = replace(note, '55', '54')",
		"a replaced key":     "UPDATE meta SET value = 'weighpost/a/b+00000000+AAAA' WHERE name = 'key/0'",
		"a missing sibling":  "DELETE FROM entries WHERE seq = 10",
		"a key out of place": "INSERT INTO meta SELECT 'key/3', value FROM meta WHERE name = 'key/0'",
	} {
		dir := copyDir(t, made)
		edit(t, dir, sql)
		if _, err := Prove(context.Background(), dir, "9", ProveOptions{}); err == nil || !strings.Contains(err.Error(), "weighpost journal verify") {
			t.Errorf("with %s: %v", what, err)
		}
	}
}

func TestAProofByAnOutsideTimeStampTakesItsCheckpoint(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 4)
	size, signed, err := j.Checkpoint(context.Background())
	must(t, err)
	_, err = j.Append(context.Background(), &record.Timestamped{Size: size, Checkpoint: string(signed), Token: []byte("token")})
	must(t, err)
	appendN(t, j, "b-12", 4)
	must(t, j.Close())
	p, err := Prove(context.Background(), dir, "3", ProveOptions{Stamped: true})
	if err != nil || string(p.TimeStamp) != "token" || string(p.Checkpoint) != string(signed) {
		t.Errorf("%v, %s", err, p.Checkpoint)
	}
	if _, err := Prove(context.Background(), dir, "6", ProveOptions{Stamped: true}); err == nil {
		t.Error("an entry after the time-stamp was proved by it")
	}
	newest, err := Prove(context.Background(), dir, "3", ProveOptions{})
	if err != nil || newest.TimeStamp != nil || string(newest.Checkpoint) == string(signed) {
		t.Errorf("%v, %s", err, newest.Checkpoint)
	}
	if p, err := Prove(context.Background(), dir, "3", ProveOptions{First: true}); err != nil || string(p.Checkpoint) != string(signed) {
		t.Errorf("by the first that covers it: %v, %s", err, p.Checkpoint)
	}
	if _, err := Prove(context.Background(), dir, fmt.Sprintf("north-lab/%s/b-12/000009", j.Incarnation()), ProveOptions{}); err == nil ||
		!strings.Contains(err.Error(), "has no entry") {
		t.Errorf("%v", err)
	}
}
