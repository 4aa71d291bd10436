package logging

import (
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// isStream says whether w is the file that the journal's variable JOURNAL_STREAM names, as device:inode (systemd.exec(5)). A
// program that has inherited the variable and whose output goes elsewhere is thus told apart.
func isStream(w io.Writer, stream string) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	raw, err := f.SyscallConn()
	if err != nil {
		return false
	}
	var s unix.Stat_t
	if e := raw.Control(func(fd uintptr) { err = unix.Fstat(int(fd), &s) }); e != nil || err != nil {
		return false
	}
	return stream == fmt.Sprintf("%d:%d", s.Dev, s.Ino)
}
