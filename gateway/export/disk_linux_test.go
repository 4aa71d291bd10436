package export_test

import (
	"context"
	"errors"
	"path/filepath"
	"syscall"
	"testing"

	"weighpost/gateway/export"
	"weighpost/gateway/needs"
)

// TestAFullDiskLeavesNoExport: not half a file, no name that looks whole, and nothing that takes the last space.
func TestAFullDiskLeavesNoExport(t *testing.T) {
	t.Parallel()
	needs.Root(t, "to mount a small disk")
	src := made{5_000}
	for _, f := range export.Formats() {
		at := t.TempDir()
		if err := syscall.Mount("tmpfs", at, "tmpfs", 0, "size=32k"); err != nil {
			needs.That(t, false, "the right to mount: "+err.Error())
		}
		_, err := export.ToFile(context.Background(), src, request(export.Format(f)), filepath.Join(at, "x"), false)
		if !errors.Is(err, syscall.ENOSPC) || len(inFolder(t, at)) > 0 {
			t.Errorf("%s: %v; there is %v", f, err, inFolder(t, at))
		}
		if err := syscall.Unmount(at, 0); err != nil {
			t.Error(err)
		}
	}
}
