package journal

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

var lossOf = LostKeyOrder{By: record.Actor{ID: "ada", By: record.ActorHost}, ConfirmedBy: record.Actor{ID: "ben", By: record.ActorHost}, Reason: "the disk of the key broke"}

// A journal that has lost its key is refused with the sentence that names the way out; two people put another in force, and the
// report says who, for ever.
func TestALostKeyIsReplacedByTwoPeople(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		lose func(dir string) error
	}{
		{"the file is gone", func(dir string) error { return os.Remove(in(dir, keyName)) }},
		{"the file is another", func(dir string) error { return os.WriteFile(in(dir, keyName), []byte("rubbish"), 0o600) }},
		{"by an older weighpost, which noted no key", func(dir string) error {
			edit(t, dir, "DELETE FROM meta WHERE name = 'key/0'")
			return os.Remove(in(dir, keyName))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := recordedThere(t, 8)
			before, err := os.ReadFile(in(dir, pubName))
			must(t, err)
			must(t, c.lose(dir))
			_, err = Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
			if err == nil || !strings.Contains(err.Error(), "weighpost journal replace-key") {
				t.Errorf("the start says %v", err)
			}
			public, err := ReplaceLostKey(context.Background(), Options{Dir: dir, Site: "north-lab"}, lossOf)
			must(t, err)
			if public == strings.TrimSpace(string(before)) {
				t.Error("the key is the same")
			}
			j := open(t, Options{Dir: dir})
			appendN(t, j, "b-12", 3)
			must(t, j.Close())
			r := verifyClean(t, dir)
			if r.Signed != r.Entries || len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "ada and ben said that the one before was lost") {
				t.Errorf("the report: %s", r.Text())
			}
			if r, err := Verify(context.Background(), dir, writeKey(t, string(before)), nil); err != nil || !r.Verified || len(r.Notes) != 1 {
				t.Errorf("with the key of before: %s, %v", r.Text(), err)
			}
			if c.name == "the file is another" {
				if b, err := os.ReadFile(in(dir, fmt.Sprintf("%s.before-%d", keyName, r.Entries-3))); err != nil || string(b) != "rubbish" {
					t.Errorf("what was in its place: %q, %v", b, err)
				}
			}
		})
	}
}

func TestAKeyThatIsThereIsNotReplacedAsLost(t *testing.T) {
	t.Parallel()
	dir := recordedThere(t, 8)
	before := snapshot(t, dir)
	for _, c := range []struct {
		want   string
		change func(*LostKeyOrder)
	}{
		{"nothing is lost", func(*LostKeyOrder) {}},
		{"by two people", func(l *LostKeyOrder) { l.ConfirmedBy = l.By }},
		{"by two people", func(l *LostKeyOrder) { l.By.ID = "" }},
		{"needs a reason", func(l *LostKeyOrder) { l.Reason = " " }},
	} {
		l := lossOf
		c.change(&l)
		if _, err := ReplaceLostKey(context.Background(), Options{Dir: dir, Site: "north-lab"}, l); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
	if _, err := ReplaceLostKey(context.Background(), Options{Dir: t.TempDir(), Site: "north-lab"}, lossOf); err == nil || !strings.Contains(err.Error(), "there is no journal") {
		t.Errorf("where there is no journal: %v", err)
	}
	r := verifyClean(t, dir)
	if after := snapshot(t, dir); r.Keys[0].Text == "" || strings.Count(after, "\n") != strings.Count(before, "\n") || len(r.Keys) != 1 {
		t.Errorf("something was changed:\n%s\n%s", before, after)
	}
}

// After a restore without the key, the second person may come later.
func TestARestoreWithoutItsKeyIsConfirmedLater(t *testing.T) {
	t.Parallel()
	o := sourceOf(t, recordedThere(t, 8)).options()
	o.Key = ""
	dir := t.TempDir()
	_, err := Build(context.Background(), dir, o)
	must(t, err)
	_, err = ReplaceLostKey(context.Background(), Options{Dir: dir, Site: "north-lab"}, lossOf)
	must(t, err)
	if r := verifyClean(t, dir); len(r.Notes) != 2 || !strings.Contains(r.Notes[1], "ada and ben") || len(r.Keys) != 3 {
		t.Errorf("the report: %s", r.Text())
	}
	if _, err := ReplaceLostKey(context.Background(), Options{Dir: dir, Site: "north-lab"}, lossOf); err == nil || !strings.Contains(err.Error(), "nothing is lost") {
		t.Errorf("once more: %v", err)
	}
}
