package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// takenAt makes a journal and gives the checkpoints that were published while it grew, one every five entries. The key changes
// on the way.
func takenAt(t *testing.T) (dir string, held []Held) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "journal")
	j := open(t, Options{Dir: dir})
	for i := range 6 {
		if i == 3 {
			_, err := j.RotateKey(context.Background(), byHand)
			must(t, err)
		}
		appendN(t, j, "b-12", 5)
		_, note, err := j.Checkpoint(context.Background())
		must(t, err)
		held = append(held, Held{"the lab's wiki", note})
	}
	must(t, j.Close())
	return dir, held
}

func verifyAgainst(t *testing.T, dir string, held ...Held) Report {
	t.Helper()
	r, err := Verify(context.Background(), dir, "", nil, Against(held...))
	must(t, err)
	return r
}

func TestAJournalExtendsEveryCheckpointThatItPublished(t *testing.T) {
	dir, held := takenAt(t)
	r := verifyAgainst(t, dir, held...)
	if !r.Verified || len(r.Against) != 1 || r.Against[0] != (AgainstReport{"the lab's wiki", 6, 6, 31}) {
		t.Errorf("%+v\n%s", r.Against, r.Text())
	}
	if want := "6 checkpoints, the newest of 31 entries (the lab's wiki): this journal extends it"; r.Elsewhere != want {
		t.Errorf("%q", r.Elsewhere)
	}
	r = verifyAgainst(t, dir, held[1])
	if want := "checkpoint of 10 entries (the lab's wiki): this journal extends it; the last 21 entries came after"; r.Elsewhere != want {
		t.Errorf("%q", r.Elsewhere)
	}
	if !strings.Contains(r.Text(), "The first 10 entries are those that were there when that checkpoint was taken") {
		t.Errorf("%s", r.Text())
	}
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 3)
	if r := verifyAgainst(t, dir, held...); !r.Verified || !r.Live {
		t.Errorf("%s", r.Text())
	}
	must(t, j.Close())
}

// resigned puts another checkpoint under the keys of a journal: what somebody with the folder could do.
func resigned(t *testing.T, dir string, c proof.Checkpoint) Held {
	t.Helper()
	key, err := readKey(osDisk{}, dir)
	must(t, err)
	c.Origin = key.Name()
	note, err := c.Sign(key)
	must(t, err)
	return Held{"somebody", note}
}

func TestACutTailAndAnOlderCopyAreFoundByACheckpointHeldElsewhere(t *testing.T) {
	dir, held := takenAt(t)
	older := filepath.Join(t.TempDir(), "journal")
	j := open(t, Options{Dir: older})
	appendN(t, j, "b-12", 5)
	must(t, j.Close())
	copied := copyDir(t, older)
	j = open(t, Options{Dir: older})
	appendN(t, j, "b-12", 3)
	_, note, err := j.Checkpoint(context.Background())
	must(t, err)
	must(t, j.Close())
	r := verifyAgainst(t, copied, Held{"a file", note})
	if want := "8 entries were signed, and the journal ends with entry 5: the last 3 are missing"; r.Verified || !strings.Contains(r.Text(), want) {
		t.Errorf("%s", r.Text())
	}
	if r.Elsewhere != "nothing that this journal extends" {
		t.Errorf("%q", r.Elsewhere)
	}
	// The older copy goes on: it has as many entries now, and they are others.
	j = open(t, Options{Dir: copied})
	appendN(t, j, "b-7", 7)
	must(t, j.Close())
	r = verifyAgainst(t, copied, Held{"a file", note})
	if want := "the first 8 entries are not those that were signed"; r.Verified || !strings.Contains(r.Text(), want) {
		t.Errorf("%s", r.Text())
	}
	// A checkpoint of another journal; one by the wrong key of this one; one over other entries by the right key.
	c, err := proof.Peek(held[5].Note)
	must(t, err)
	for want, h := range map[string]Held{
		"it is none of this journal's": {"a file", note},
		"the key in force at that size": resigned(t, dir, func() proof.Checkpoint {
			c, err := proof.Peek(held[0].Note)
			must(t, err)
			return c
		}()),
		"the first 31 entries are not those that were signed": resigned(t, dir, proof.Checkpoint{Size: c.Size, Root: tlog.Hash{1}}),
		"this is no signed note":                              {"a file", []byte("sowing plan")},
	} {
		if r := verifyAgainst(t, dir, h); r.Verified || !strings.Contains(r.Text(), want) {
			t.Errorf("want %q:\n%s", want, r.Text())
		}
	}
}

func TestACheckpointFindsWhatSomebodyWithTheKeyDid(t *testing.T) {
	dir, held := takenAt(t)
	// All of the journal is made again with the same key, one value other: everything in the folder agrees with itself.
	var bodies []record.Entry
	must(t, Scan(context.Background(), dir, 0, func(e record.Entry) error { bodies = append(bodies, e); return nil }))
	edit(t, dir, "DELETE FROM checkpoints")
	var at edge
	for _, e := range bodies {
		raw := e.JSON
		if e.Seq == 12 {
			raw = json.RawMessage(strings.Replace(string(raw), `"digits":"`, `"digits":"9`, 1))
		}
		hashes, err := at.add(tlog.RecordHash(raw))
		must(t, err)
		edit(t, dir, fmt.Sprintf("UPDATE entries SET json = x'%x', hashes = x'%x' WHERE seq = %d", []byte(raw), joinHashes(nil, hashes), e.Seq))
	}
	root, err := at.root()
	must(t, err)
	r, err := Verify(context.Background(), dir, "", nil)
	must(t, err)
	head := headState{seq: at.size, root: root, incarnation: r.Incarnation}
	must(t, os.WriteFile(filepath.Join(dir, headName), headImage(head), 0o600))
	if r := verifyClean(t, dir); r.Elsewhere != "none" {
		t.Errorf("%q", r.Elsewhere)
	}
	for i, h := range held {
		r := verifyAgainst(t, dir, h)
		if found := !r.Verified; found != (i >= 2) {
			t.Errorf("checkpoint %d, entry 12 was changed:\n%s", i, r.Text())
		}
	}
}

func TestCheckpointsOfTheLifeBeforeARestoreStillCount(t *testing.T) {
	old := filepath.Join(t.TempDir(), "journal")
	j := open(t, Options{Dir: old})
	appendN(t, j, "b-12", 6)
	_, early, err := j.Checkpoint(context.Background())
	must(t, err)
	appendN(t, j, "b-12", 4)
	must(t, j.Close())
	s := sourceOf(t, old) // 10 entries
	j = open(t, Options{Dir: old})
	appendN(t, j, "b-12", 5)
	_, late, err := j.Checkpoint(context.Background())
	must(t, err)
	must(t, j.Close())
	for _, declared := range []uint64{0, 15} {
		dir := in(t.TempDir(), "journal")
		o := s.options()
		o.Restored.Predecessor.Entries, o.Restored.Predecessor.From = declared, "sink lims"
		_, err = Build(context.Background(), dir, o)
		must(t, err)
		j := open(t, Options{Dir: dir})
		appendN(t, j, "b-12", 20)
		_, now, err := j.Checkpoint(context.Background())
		must(t, err)
		must(t, j.Close())
		if r := verifyAgainst(t, dir, Held{"early", early}, Held{"now", now}); !r.Verified || r.Against[0].Extended != 1 || r.Against[1].Extended != 1 {
			t.Errorf("%s", r.Text())
		}
		r := verifyAgainst(t, dir, Held{"late", late})
		if r.Verified != (declared == 15) || r.Against[0].Extended != 0 || !strings.Contains(r.Text(), "this journal goes on from it after 10: 5 are not here") {
			t.Errorf("with %d entries declared:\n%s", declared, r.Text())
		}
	}
}

func TestHeldCheckpointsAreReadInEveryFormInWhichTheyAreKept(t *testing.T) {
	dir, held := takenAt(t)
	p, err := Prove(context.Background(), dir, "7", ProveOptions{})
	must(t, err)
	file, err := p.Marshal()
	must(t, err)
	var lines []byte
	for _, h := range held {
		line, err := json.Marshal(map[string]string{"id": "x", "note": string(h.Note)})
		must(t, err)
		lines = append(append(lines, line...), '\n')
	}
	for _, c := range []struct {
		content []byte
		n       int
	}{{held[2].Note, 1}, {file, 1}, {lines, 6}} {
		notes, err := proof.Checkpoints(c.content)
		must(t, err)
		if len(notes) != c.n {
			t.Errorf("%d checkpoints in %s", len(notes), c.content)
		}
		for _, n := range notes {
			if r := verifyAgainst(t, dir, Held{"kept", n}); !r.Verified || r.Against[0].Extended != 1 {
				t.Errorf("%s", r.Text())
			}
		}
	}
	for _, bad := range []string{"", "\n", "{}", `{"note":"x"}`, "sowing plan", `{"note":`, string(file[:60])} {
		if n, err := proof.Checkpoints([]byte(bad)); err == nil {
			t.Errorf("%q holds %d checkpoints", bad, len(n))
		}
	}
}
