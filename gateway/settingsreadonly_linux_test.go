package gateway_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"weighpost/gateway/console"
	"weighpost/gateway/needs"
)

// TestAFileThatCannotBeWritten, though its user is root: one that is immutable, and one that is mounted. A change is refused and
// leaves nothing; a change that is turned down stays in the file, does not hold, and the answer says which file it is.
func TestAFileThatCannotBeWritten(t *testing.T) {
	needs.Root(t, "to make a file immutable, and to mount one")
	for name, bar := range map[string]func(t *testing.T, path string) (undo func(), err error){"immutable": immutable, "mounted": mounted} {
		t.Run(name, func(t *testing.T) {
			h, text := newPoliced(t, "one")
			ada, edit := keeper(t, "ada"), strings.Replace(text, "Room 1", "Room 2", 1)
			undo, err := bar(t, h.file())
			if err != nil {
				h.stop(t)
			}
			needs.That(t, err == nil, "a system where a file can be "+name)
			t.Cleanup(func() { undo() })
			_, err = h.patch(ada, t, `{"clock": {"ceiling": "1s"}}`)
			var conflict *console.SettingsConflict
			if !errors.As(err, &conflict) || !strings.Contains(conflict.Why, "cannot be written, so that nothing was changed") || h.read(t) != text {
				t.Errorf("%v", err)
			}
			undo()
			if err := h.reload(t, edit); err != nil {
				t.Fatal(err)
			}
			if undo, err = bar(t, h.file()); err != nil {
				t.Fatal(err)
			}
			a, err := h.decide(ada, h.PendingSettings().Change, false)
			if err != nil || a.Outcome != console.SettingsDropped || !strings.Contains(a.Note, h.file()) || !strings.Contains(a.Note, "cannot be written") {
				t.Errorf("%+v %v", a, err)
			}
			if h.read(t) != edit || !h.waits() || h.Balances()[0].Place != "Room 1" || !h.PendingSettings().TurnedDown {
				t.Errorf("waits: %t, in %s: %+v", h.waits(), h.Balances()[0].Place, h.PendingSettings())
			}
			undo()
			h.again(t)
			if h.Balances()[0].Place != "Room 1" || !h.PendingSettings().TurnedDown {
				t.Errorf("after a restart: %+v", h.PendingSettings())
			}
			list, err := filepath.Glob(filepath.Join(h.dir, ".*"))
			if err != nil || len(list) > 0 {
				t.Errorf("left behind: %v %v", list, err)
			}
			h.stop(t)
		})
	}
}

const immutableFlag = 0x10 // FS_IMMUTABLE_FL of linux/fs.h

// immutable sets the flag that chattr +i sets.
func immutable(_ *testing.T, path string) (undo func(), err error) {
	set := func(on bool) error {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		flags, err := unix.IoctlGetInt(int(f.Fd()), unix.FS_IOC_GETFLAGS)
		if err != nil {
			return err
		}
		if flags &^= immutableFlag; on {
			flags |= immutableFlag
		}
		return unix.IoctlSetPointerInt(int(f.Fd()), unix.FS_IOC_SETFLAGS, flags)
	}
	return func() { _ = set(false) }, set(true)
}

// mounted mounts a file on itself, to be read only.
func mounted(_ *testing.T, path string) (undo func(), err error) {
	if err := syscall.Mount(path, path, "", syscall.MS_BIND, ""); err != nil {
		return nil, err
	}
	undo = func() { _ = syscall.Unmount(path, syscall.MNT_DETACH) }
	if err := syscall.Mount("", path, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		undo()
		return nil, err
	}
	return undo, nil
}
