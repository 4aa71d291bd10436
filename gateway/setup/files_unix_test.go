//go:build unix

package setup

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"weighpost/gateway/needs"
)

// TestReplaceKeepsTheOwner needs root: nobody else can give a file away.
func TestReplaceKeepsTheOwner(t *testing.T) {
	needs.Root(t, "to give a file to another user")
	path := filepath.Join(t.TempDir(), "w.yaml")
	put(t, path, "old")
	if err := os.Chown(path, 12345, 23456); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(path, []byte("old"), []byte("new")); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if st := info.Sys().(*syscall.Stat_t); st.Uid != 12345 || st.Gid != 23456 {
		t.Errorf("the file belongs to %d:%d now", st.Uid, st.Gid)
	}
}
