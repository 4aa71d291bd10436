//go:build unix

package main

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// sameOwner refuses to open a journal as another user than the daemon's: the files that would be made then the daemon could
// not write. Where there is no journal, the opening says so.
func sameOwner(folder string) error {
	info, err := os.Stat(filepath.Join(folder, "journal.db"))
	if err != nil {
		return nil
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || int(st.Uid) == os.Geteuid() {
		return nil
	}
	owner := strconv.Itoa(int(st.Uid))
	if u, err := user.LookupId(owner); err == nil {
		owner = u.Username
	}
	return fmt.Errorf("the journal in %s belongs to the user %s: run this as that user (sudo -u %s weighpost …), so that the daemon "+
		"can still write it afterwards", folder, owner, owner)
}
