package files

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

const keptName = "_backups/weighpost-north-lab-7qx3a-20261129t023000z.tar"

func TestWhatIsStoredIsFetchedAndNeverReplaced(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	body := bytes.Repeat([]byte("barley "), 100_000)
	for range 2 { // again is no fault
		if err := sink.Store(t.Context(), keptName, bytes.NewReader(body)); err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Store(t.Context(), keptName, strings.NewReader("other")); !errors.Is(err, sinks.ErrTaken) {
		t.Errorf("other bytes under the name: %v", err)
	}
	r, err := sink.Fetch(t.Context(), keptName)
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(r)
	if err != nil || !bytes.Equal(got, body) {
		t.Errorf("%d bytes came back of %d: %v", len(got), len(body), err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	list, err := sink.Stored(t.Context(), "_backups/weighpost-north-lab-")
	if err != nil || len(list) != 1 || list[0].Name != keptName || list[0].Size != int64(len(body)) || list[0].Time.IsZero() {
		t.Errorf("%v, %v", list, err)
	}
	for _, prefix := range []string{"_backups/weighpost-south-", "_segments/"} {
		if list, err := sink.Stored(t.Context(), prefix); len(list) != 0 || err != nil {
			t.Errorf("%s: %v, %v", prefix, list, err)
		}
	}
	names, _ := os.ReadDir(filepath.Join(s.dir, "_backups"))
	if len(names) != 1 {
		t.Errorf("left over: %v", names)
	}
	for range 2 {
		if err := sink.Remove(t.Context(), keptName); err != nil {
			t.Error(err)
		}
	}
	if _, err := sink.Fetch(t.Context(), keptName); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("fetched after removal: %v", err)
	}
}

func TestStoringGoesOnBesideDeliveries(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	stored := make(chan error, 1)
	go func() {
		var err error
		for i := range 50 {
			err = errors.Join(err, sink.Store(t.Context(), "_segments/"+string(rune('a'+i%26))+".gz", strings.NewReader("seeds")))
		}
		stored <- err
	}()
	entries := sinktest.Weighings(200, 1)
	deliver(t, sink, entries)
	if err := <-stored; err != nil {
		t.Error(err)
	}
	if list, err := sink.Stored(t.Context(), "_segments/"); err != nil || len(list) != 26 {
		t.Errorf("%d files are stored: %v", len(list), err)
	}
	if err := os.RemoveAll(filepath.Join(s.dir, "_segments")); err != nil {
		t.Fatal(err)
	}
	if got := s.harness().Received(); len(got) != len(entries) {
		t.Errorf("%d of %d entries are there", len(got), len(entries))
	}
}

func TestNoStoredNameLeavesItsFolder(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	for _, name := range []string{"", "x", "../x", "_backups", "_backups/", "_backups/../x", "_backups/.x", "_backups/x/y", "/_backups/x", "_checkpoints/x",
		"_backups/X", "_backups/con", "_backups/x.", "_backups/" + strings.Repeat("x", 300), "_backups/a b", `_backups\x`, "_backups/\x00"} {
		if err := sink.Store(t.Context(), name, strings.NewReader("x")); err == nil {
			t.Errorf("%q was stored", name)
		}
		if err := sink.Remove(t.Context(), name); err == nil {
			t.Errorf("%q was removed", name)
		}
	}
	if names, _ := os.ReadDir(s.dir); len(names) != 0 {
		t.Errorf("left over: %v", names)
	}
}

func TestLinksInTheStoreAreNotFollowed(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	outside := filepath.Join(t.TempDir(), "secret")
	s.put(outside, "secret")
	s.put(filepath.Join(s.dir, "_backups", "y.tar"), "y")
	if err := os.Symlink(outside, filepath.Join(s.dir, "_backups", "x.tar")); err != nil {
		t.Fatal(err)
	}
	if _, err := sink.Fetch(t.Context(), "_backups/x.tar"); err == nil {
		t.Error("a link was fetched")
	}
	if err := sink.Store(t.Context(), "_backups/x.tar", strings.NewReader("new")); err == nil {
		t.Error("a link was written to")
	}
	if list, err := sink.Stored(t.Context(), "_backups/"); err != nil || len(list) != 1 || list[0].Name != "_backups/y.tar" {
		t.Errorf("%v, %v", list, err)
	}
	if got, _ := os.ReadFile(outside); string(got) != "secret" {
		t.Errorf("outside became %q", got)
	}
}

// broken gives some bytes and then an error.
type broken struct{ given bool }

func (b *broken) Read(p []byte) (int, error) {
	if b.given {
		return 0, errors.New("the other disk is gone")
	}
	b.given = true
	return copy(p, "half"), nil
}

func TestHalfAFileIsNeverStored(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	if err := sink.Store(t.Context(), keptName, &broken{}); err == nil || !strings.Contains(err.Error(), "the other disk is gone") {
		t.Errorf("stored from a broken reader: %v", err)
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	if err := sink.Store(over, keptName, strings.NewReader("all")); err == nil {
		t.Error("stored although its context was over")
	}
	if names, _ := os.ReadDir(filepath.Join(s.dir, "_backups")); len(names) != 0 {
		t.Errorf("left over: %v", names)
	}
}

func TestAStoreThatIsFullSaysSoAndTakesTheNext(t *testing.T) {
	needs.Root(t, "to mount a small disk")
	s := newShelf(t, func(*Config) {})
	system(t, "mount", "-t", "tmpfs", "-o", "size=256k", "weighpost-test", s.dir)
	t.Cleanup(func() { system(t, "umount", s.dir) })
	sink := open(t, s)
	if err := sink.Store(t.Context(), keptName, bytes.NewReader(make([]byte, 1<<20))); err == nil || !strings.Contains(err.Error(), "has no room left") {
		t.Errorf("a full disk: %v", err)
	}
	if err := sink.Store(t.Context(), keptName, bytes.NewReader(make([]byte, 1<<10))); err != nil {
		t.Errorf("after the full disk: %v", err)
	}
}

func TestAPersonsTextIsNoNameOfOurs(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Name = "{sample}/{id}.json" })
	deliver(t, open(t, s), sinktest.WithSamples([]string{"_backups", "_Segments"}, 1))
	for _, name := range []string{"%5Fbackups", "%5FSegments"} {
		if _, err := os.Stat(filepath.Join(s.dir, name)); err != nil {
			t.Error(err)
		}
	}
}

func system(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %v: %v: %s", name, args, err, out)
	}
}
