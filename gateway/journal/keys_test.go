package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

var byHand = Rotation{By: record.Actor{ID: "mara", By: record.ActorHost}, Reason: "the computer was given to another room"}

// rotated makes a journal whose key was changed as often as asked, with entries and checkpoints between. It gives the texts of
// all keys.
func rotated(t *testing.T, times int) (dir string, keys []string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "journal")
	ctx := context.Background()
	j := open(t, Options{Dir: dir})
	keys = append(keys, j.PublicKey())
	for range times {
		appendN(t, j, "b-12", 5)
		_, _, err := j.Checkpoint(ctx)
		must(t, err)
		appendN(t, j, "b-12", 2)
		e, err := j.RotateKey(ctx, byHand)
		must(t, err)
		if e.Kind != record.KindKeyRotated || e.Seq != j.Head() {
			t.Fatalf("%+v", e)
		}
		keys = append(keys, j.PublicKey())
		appendN(t, j, "b-12", 3)
	}
	must(t, j.Close())
	return dir, keys
}

func writeKey(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "key.pub")
	must(t, os.WriteFile(name, []byte(text+"\n"), 0o600))
	return name
}

func TestAChangedKeyIsFollowedFromAnyOfTheKeys(t *testing.T) {
	dir, keys := rotated(t, 2)
	for _, name := range []string{keyName, pubName} {
		info, err := os.Stat(filepath.Join(dir, name))
		must(t, err)
		if want := map[string]os.FileMode{keyName: 0o600, pubName: 0o644}[name]; info.Mode().Perm()&^want != 0 {
			t.Errorf("%s has the mode %o", name, info.Mode().Perm())
		}
	}
	r := verifyClean(t, dir)
	if len(r.Keys) != 3 || r.Keys[1].From != 8 || r.Keys[2].From != 19 || r.Signed != r.Entries {
		t.Errorf("%+v", r)
	}
	for i, k := range keys {
		if r.Keys[i].Text != k {
			t.Errorf("key %d is %q, want %q", i, r.Keys[i].Text, k)
		}
		other, err := Verify(context.Background(), dir, writeKey(t, k), nil)
		if err != nil || !other.Verified || other.Signed != r.Entries {
			t.Errorf("by key %d: %v\n%s", i, err, other.Text())
		}
	}
	if !strings.Contains(r.Text(), "from entry 8 on: rotated") {
		t.Errorf("%s", r.Text())
	}
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 1)
	if j.PublicKey() != keys[2] {
		t.Error("the journal opened with another key than the last")
	}
	must(t, j.Close())
	verifyClean(t, dir)
}

func TestAJournalOfBeforeKeysWereNotedChangesItsKeyToo(t *testing.T) {
	dir := specimen(t)
	edit(t, dir, "DELETE FROM meta WHERE name GLOB 'key/*'")
	verifyClean(t, dir)
	j := open(t, Options{Dir: dir})
	_, err := j.RotateKey(context.Background(), byHand)
	must(t, err)
	must(t, j.Close())
	if r := verifyClean(t, dir); len(r.Keys) != 2 {
		t.Errorf("%+v", r.Keys)
	}
}

func TestAKeyIsNotChangedWithoutAReason(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	before := j.PublicKey()
	if _, err := j.RotateKey(context.Background(), Rotation{Reason: " "}); err == nil || j.PublicKey() != before || j.Head() != 0 {
		t.Errorf("%v, %d entries", err, j.Head())
	}
}

func TestALostKeyNeedsTwoPeople(t *testing.T) {
	k, err := newSignKey("weighpost/north-lab/aaaaa")
	must(t, err)
	a, b := record.Actor{ID: "mara", By: record.ActorHost}, record.Actor{ID: "ivo", By: record.ActorHost}
	for _, bad := range []struct {
		by, second record.Actor
		reason     string
	}{{a, a, "disk broke"}, {a, record.Actor{}, "disk broke"}, {record.Actor{}, b, "disk broke"}, {a, b, ""}} {
		if _, err := LostKey(k.public, k.public, bad.by, bad.second, bad.reason, record.Stamp{}); err == nil {
			t.Errorf("%+v was accepted", bad)
		}
	}
	body, err := LostKey(k.public, k.public, a, b, "disk broke", record.Stamp{})
	if err != nil || body.Note != "" || body.ConfirmedBy.ID != "ivo" || body.Origin != k.Name() {
		t.Errorf("%+v, %v", body, err)
	}
}

// putInForce puts a body with a key of its own in force, as nothing but RotateKey does.
func putInForce(t *testing.T, dir string, k signKey, body *record.KeyRotated) {
	t.Helper()
	j := open(t, Options{Dir: dir})
	_, err := j.ask(context.Background(), &request{bodies: []record.Body{body}, rotate: &rotateOrder{k}, sign: true})
	must(t, err)
	must(t, j.Close())
}

func TestVerifySaysThatALostKeyIsOnlySaid(t *testing.T) {
	dir, keys := rotated(t, 1)
	k, err := newSignKey(strings.Split(keys[0], "+")[0])
	must(t, err)
	a, b := record.Actor{ID: "mara", By: record.ActorHost}, record.Actor{ID: "ivo", By: record.ActorHost}
	body, err := LostKey(keys[1], k.public, a, b, "disk broke", record.Stamp{})
	must(t, err)
	putInForce(t, dir, k, body)
	r := verifyClean(t, dir)
	if len(r.Notes) != 1 || !strings.Contains(r.Text(), "mara and ivo said that the one before was lost") {
		t.Errorf("%s", r.Text())
	}
}

func TestAKeyThatNobodyVouchedForIsFound(t *testing.T) {
	t.Parallel()
	made, keys := rotated(t, 1)
	origin := strings.Split(keys[0], "+")[0]
	stranger, err := newSignKey(origin)
	must(t, err)
	forged, err := VouchedKey(stranger.Signer, keys[1], stranger.public, record.KeyRotatedByHand)
	must(t, err)
	alone := *forged
	alone.Note, alone.Cause = "", record.KeyLost
	for _, c := range []struct {
		name   string
		attack func(t *testing.T, dir string)
		want   string
	}{
		{"the key files swapped", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, keyName), []byte(stranger.secret+"\n"), 0o600))
			must(t, os.WriteFile(filepath.Join(dir, pubName), []byte(stranger.public+"\n"), 0o644))
		}, "is none of this journal's"},
		{"the secret key swapped", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, keyName), []byte(stranger.secret+"\n"), 0o600))
		}, "the file key holds the key " + stranger.id()},
		{"key.pub swapped back to the first", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, pubName), []byte(keys[0]+"\n"), 0o644))
		}, "the file key.pub holds the key " + keyTextID(keys[0])},
		{"a key without an entry", func(t *testing.T, dir string) {
			edit(t, dir, fmt.Sprintf("INSERT INTO meta VALUES('key/10', '%s')", stranger.public))
		}, "and no entry says so"},
		{"an entry without its key", func(t *testing.T, dir string) {
			edit(t, dir, "DELETE FROM meta WHERE name = 'key/8'")
		}, "journal.db does not name it"},
		{"the first key replaced in journal.db", func(t *testing.T, dir string) {
			edit(t, dir, fmt.Sprintf("UPDATE meta SET value = '%s' WHERE name = 'key/0'", stranger.public))
		}, "it is not signed by " + stranger.id()},
		{"an entry with a note forged by the new key itself", func(t *testing.T, dir string) {
			putInForce(t, dir, stranger, forged)
		}, "carries no word of the key before"},
		{"a loss that nobody confirmed", func(t *testing.T, dir string) {
			putInForce(t, dir, stranger, &alone)
		}, "does not name two people"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, made)
			c.attack(t, dir)
			r, err := Verify(context.Background(), dir, "", nil)
			if err != nil || r.Verified || !strings.Contains(r.Text(), c.want) {
				t.Errorf("%v\n%s\nwant: %s", err, r.Text(), c.want)
			}
			// Whoever kept the first key finds it as well, but for files that they do not look into.
			r, err = Verify(context.Background(), dir, writeKey(t, keys[0]), nil)
			if err != nil || r.Verified {
				t.Errorf("with the first key: %v\n%s", err, r.Text())
			}
		})
	}
}

func TestASwappedKeyIsFoundAtTheStart(t *testing.T) {
	made, keys := rotated(t, 1)
	stranger, err := newSignKey(strings.Split(keys[0], "+")[0])
	must(t, err)
	for _, c := range []struct {
		name   string
		attack func(dir string)
		want   string
	}{
		{"both files", func(dir string) {
			must(t, os.WriteFile(filepath.Join(dir, keyName), []byte(stranger.secret), 0o600))
			must(t, os.WriteFile(filepath.Join(dir, pubName), []byte(stranger.public), 0o600))
		}, "and its checkpoints are signed by"},
		{"both files and journal.db", func(dir string) {
			must(t, os.WriteFile(filepath.Join(dir, keyName), []byte(stranger.secret), 0o600))
			must(t, os.WriteFile(filepath.Join(dir, pubName), []byte(stranger.public), 0o600))
			edit(t, dir, fmt.Sprintf("UPDATE meta SET value = '%s' WHERE name = 'key/8'", stranger.public))
		}, "does not fit its key"},
		{"key.pub", func(dir string) {
			must(t, os.WriteFile(filepath.Join(dir, pubName), []byte(stranger.public), 0o600))
		}, "holds another key than"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, made)
			c.attack(dir)
			before := snapshot(t, dir)
			_, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v", err)
			}
			if after := snapshot(t, dir); after != before {
				t.Errorf("the folder was changed:\n%s\n%s", before, after)
			}
		})
	}
}

// TestAChangeOfTheKeySurvivesACutAtAnyStep cuts the power at each operation of a change of the key. Whatever is left opens,
// signs with the key that its entries say, and verifies.
func TestAChangeOfTheKeySurvivesACutAtAnyStep(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	done, undone := 0, 0
	for try := range rounds(2, 20) {
		for at := 1; ; at++ {
			c := newCutter(t, random, "FULL")
			o := c.options()
			o.signEvery, o.idleAfter = 1<<40, 1<<40
			ctx := context.Background()
			j, err := Open(ctx, o)
			must(t, err)
			_, err = j.Append(ctx, weighing("b-12", 1))
			must(t, err)
			first := j.PublicKey()
			c.disk.mu.Lock()
			c.disk.cutAt = c.disk.ops + at
			c.disk.mu.Unlock()
			_, acked := j.RotateKey(ctx, byHand)
			whole := !c.cut()
			_ = j.Close()
			when := fmt.Sprintf("seed %d, try %d, cut at operation %d (%v)", seed, try, at, acked)
			c.disk = c.disk.reboot(t.TempDir())
			if r, err := verifyOn(ctx, c.disk, c.dir, "", nil); err != nil || !r.Verified {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			o.disk = c.disk
			j, err = Open(ctx, o)
			if err != nil {
				t.Fatalf("%s: it does not open: %v", when, err)
			}
			if changed := j.PublicKey() != first; changed {
				done++
			} else if undone++; acked == nil {
				t.Fatalf("%s: the change was acknowledged and is gone", when)
			}
			_, err = j.Append(ctx, weighing("b-12", 2))
			must(t, err)
			_, err = j.RotateKey(ctx, byHand) // and it can be changed again
			must(t, err)
			must(t, j.Close())
			if r, err := verifyOn(ctx, c.disk, c.dir, "", nil); err != nil || !r.Verified || r.Signed != r.Entries {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			for _, name := range []string{nextKeyName, nextPubName} {
				if there, _ := c.disk.Exists(filepath.Join(c.dir, name)); there {
					t.Errorf("%s: %s is left behind", when, name)
				}
			}
			c.disk.unplug()
			if whole {
				break
			}
		}
	}
	if done == 0 || undone == 0 {
		t.Errorf("%d cuts after the change and %d before: they do not meet both sides", done, undone)
	}
	t.Logf("%d cuts: the key was changed after %d, and was as before after %d", done+undone, done, undone)
}

func TestTheEntrySaysWhoChangedTheKeyAndWhy(t *testing.T) {
	dir, keys := rotated(t, 1)
	var k record.KeyRotated
	must(t, Scan(context.Background(), dir, 7, func(e record.Entry) error {
		if e.Kind == record.KindKeyRotated {
			return json.Unmarshal(e.JSON, &k)
		}
		return nil
	}))
	if k.By != byHand.By || k.Reason != byHand.Reason || k.OldKey != keys[0] || k.NewKey != keys[1] || k.Cause != record.KeyRotatedByHand {
		t.Errorf("%+v", k)
	}
	old, err := proof.ParseKey(keys[0])
	must(t, err)
	if next, err := proof.OpenVouch([]byte(k.Note), old); err != nil || next != keys[1] {
		t.Errorf("%q %v", next, err)
	}
}
