package bundle_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"weighpost/gateway/bundle"
	"weighpost/gateway/needs"
)

// toFile has a bundle of all written to a file.
func (l *lab) toFile(ctx context.Context, name string) error {
	l.t.Helper()
	p, err := bundle.Open(context.Background(), bundle.Order{Dir: l.dir, Of: bundle.Of{All: true}, Version: "test"})
	if err != nil {
		l.t.Fatal(err)
	}
	defer p.Close()
	return p.ToFile(ctx, name)
}

// names are the names in a folder, hidden ones too.
func names(t *testing.T, dir string) (list []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, one := range all {
		list = append(list, one.Name())
	}
	return list
}

// TestAFullDiskLeavesNoBundle: wherever in the file the disk is full, nothing is there under its name nor under another, the sentence says what to do,
// and with room again it is written, as it would have been. No file is put in the place of another; an interruption leaves none either.
func TestAFullDiskLeavesNoBundle(t *testing.T) {
	dir := needs.SmallDisk(t, "size=1m")
	l := day(t)
	whole, name := l.pack(bundle.Of{All: true}), filepath.Join(dir, "all.zip")
	cuts := 0
	for room := 0; room < len(whole)-8192; room += max(4096, len(whole)/6) {
		ballast := needs.Fill(t, dir)
		info, err := os.Stat(ballast)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(ballast, info.Size()-int64(room)); err != nil {
			t.Fatal(err)
		}
		err = l.toFile(t.Context(), name)
		if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "nothing of it is in "+name) || !strings.Contains(err.Error(), "Make room") {
			t.Errorf("with room for %d of %d bytes: %v", room, len(whole), err)
		}
		if left := names(t, dir); len(left) != 1 {
			t.Errorf("with room for %d bytes there is %q", room, left)
		}
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		cuts++
	}
	gone, stop := context.WithCancel(t.Context())
	stop()
	if err := l.toFile(gone, name); !errors.Is(err, context.Canceled) || len(names(t, dir)) != 0 {
		t.Errorf("interrupted: %v, %q", err, names(t, dir))
	}
	if err := l.toFile(t.Context(), name); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(name); err != nil || !bytes.Equal(b, whole) || len(names(t, dir)) != 1 || cuts < 3 {
		t.Errorf("with room again: %v, %d bytes of %d, %q, after %d cuts", err, len(b), len(whole), names(t, dir), cuts)
	}
	if err := l.toFile(t.Context(), name); err == nil || !strings.Contains(err.Error(), "is already there") {
		t.Errorf("over a file: %v", err)
	}
	if err := l.toFile(t.Context(), filepath.Join(dir, "none", "all.zip")); err == nil {
		t.Error("into a folder that there is not")
	}
	t.Logf("%d bytes, cut off at %d places", len(whole), cuts)
}
