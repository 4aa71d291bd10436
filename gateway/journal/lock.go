package journal

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// lockName is the file that the one writer of a folder holds locked. It holds the writer's process id, for people: what
// counts is the lock, which the system drops when the process ends, however it ends.
const lockName = "lock"

const lockTries, lockPause = 5, 20 * time.Millisecond

var errLocked = errors.New("locked by another process")

// hold is a lock that this process has.
type hold struct{ file *os.File }

// takeLock locks a folder, or says in a sentence who has it.
func takeLock(dir string) (*hold, error) {
	name := in(dir, lockName)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("the journal in %s cannot be locked: %w. Give weighpost's user the right to write there", dir, err)
	}
	err = lockFile(f)
	for range lockTries { // someone who asks whether the journal is in use holds the lock for a moment
		if !errors.Is(err, errLocked) {
			break
		}
		time.Sleep(lockPause)
		err = lockFile(f)
	}
	if err != nil {
		defer f.Close()
		if !errors.Is(err, errLocked) {
			return nil, fmt.Errorf("the journal in %s cannot be locked: %w. Keep it on a local disk", dir, err)
		}
		return nil, fmt.Errorf("the journal in %s is in use by %s. Only one weighpost may write a journal: stop that one, "+
			"or give this one a folder of its own", dir, holder(name))
	}
	if err = f.Truncate(0); err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("the journal in %s cannot be locked: %w. Look after that disk, and make room on it if it is full", dir, err)
	}
	return &hold{f}, nil
}

func (h *hold) release() error { return h.file.Close() }

// InUse says whether some process, also this one, writes the journal in a folder now.
func InUse(dir string) bool { return held(folder(dir)) }

// held says whether some process writes to this folder now.
func held(dir string) bool {
	f, err := os.Open(in(dir, lockName))
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(lockFile(f), errLocked)
}

// holder describes the process that wrote its id into the lock.
func holder(name string) string {
	text, err := os.ReadFile(name)
	pid, bad := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || bad != nil {
		return "another process"
	}
	return fmt.Sprintf("process %d", pid)
}
