package foldertest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"testing"

	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// Kept holds a sink to what sinks.Storer promises.
func Kept(t *testing.T, s sinks.Storer) {
	const name = "_backups/weighpost-north-seed-bank-7qx3-20261129t023000z.tar"
	body := bytes.Repeat([]byte("barley "), 300_000) // more than one packet of anything
	for range 2 {
		if err := s.Store(t.Context(), name, bytes.NewReader(body)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Store(t.Context(), name, strings.NewReader("other")); !errors.Is(err, sinks.ErrTaken) {
		t.Errorf("other bytes under the name: %v", err)
	}
	r, err := s.Fetch(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(r)
	if err := errors.Join(err, r.Close()); err != nil || !bytes.Equal(got, body) {
		t.Errorf("%d bytes came back of %d: %v", len(got), len(body), err)
	}
	list, err := s.Stored(t.Context(), "_backups/weighpost-north-seed-bank-")
	if err != nil || len(list) != 1 || list[0].Name != name || list[0].Size != int64(len(body)) || list[0].Time.IsZero() {
		t.Errorf("%v, %v", list, err)
	}
	for _, prefix := range []string{"_backups/weighpost-south-", "_segments/"} {
		if list, err := s.Stored(t.Context(), prefix); len(list) != 0 || err != nil {
			t.Errorf("%s: %v, %v", prefix, list, err)
		}
	}
	for range 2 {
		if err := s.Remove(t.Context(), name); err != nil {
			t.Error(err)
		}
	}
	if _, err := s.Fetch(t.Context(), name); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("fetched after removal: %v", err)
	}
	for _, name := range []string{"../x", "_backups/../x", "_backups/X", "_checkpoints/x"} {
		if err := s.Store(t.Context(), name, strings.NewReader("x")); err == nil {
			t.Errorf("%q was stored", name)
		}
	}
}

// Told wants what was delivered after a sequence to be found, and the newest checkpoint of each journal.
func Told(t *testing.T, s interface {
	sinks.Sink
	sinks.Checkpointer
}, w sinks.Witness) {
	entries := sinktest.Weighings(30, 7)
	if n, err := s.Deliver(t.Context(), entries); n != 30 {
		t.Fatal(err)
	}
	for _, origin := range []string{"aaaaa\n40", "aaaaa\n55", "bbbbb\n3"} {
		if err := s.Checkpoint(t.Context(), []byte("weighpost/north-seed-bank/"+origin+"\nroot\n\nsignature\n")); err != nil {
			t.Fatal(err)
		}
	}
	held, err := w.Held(t.Context(), entries[19].Seq)
	if err != nil || len(held.Entries) != 10 || held.Partial != "" {
		t.Errorf("found %d entries (%s): %v", len(held.Entries), held.Partial, err)
	}
	if text := fmt.Sprintf("%q", held.Checkpoints); len(held.Checkpoints) != 2 || !strings.Contains(text, `aaaaa\n55`) || !strings.Contains(text, `bbbbb\n3`) {
		t.Errorf("found the checkpoints %s", text)
	}
}
