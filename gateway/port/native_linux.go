package port

import (
	"errors"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// native is a serial port over termios and the runtime's poller.
type native struct {
	polled
	marks      parmrk
	file       *os.File
	flow       string
	writeLimit time.Duration
	close      func() error
}

func openNative(c Config) (Port, error) {
	f, err := os.OpenFile(c.Address, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, explain(c, err)
	}
	raw, err := f.SyscallConn()
	if err == nil {
		control := func(do func(fd int) error) error {
			var inner error
			if err := raw.Control(func(fd uintptr) { inner = do(int(fd)) }); err != nil {
				return err
			}
			return inner
		}
		err = control(func(fd int) error { return prepare(fd, c) })
	}
	if err != nil {
		f.Close()
		return nil, explain(c, err)
	}
	n := &native{file: f, flow: c.Flow, writeLimit: c.WriteTimeout.D()}
	n.polled.init(raw)
	n.close = sync.OnceValue(func() error {
		_ = raw.Control(func(fd uintptr) {
			_ = unix.IoctlSetInt(int(fd), unix.TIOCNXCL, 0) // the terminal outlives us while anyone else holds it
			_ = unix.IoctlSetInt(int(fd), unix.TCFLSH, unix.TCOFLUSH)
		})
		return f.Close()
	})
	return n, nil
}

// prepare takes an open serial port for us alone and applies the settings.
func prepare(fd int, c Config) error {
	before, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return errNotSerial
	}
	if err := lock(fd); err != nil {
		return err
	}
	_ = unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
	want := c.termios(*before)
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, &want); err != nil {
		return &settingsError{err}
	}
	if !isPseudo(fd) {
		got, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
		if err != nil {
			return err
		}
		if err := accepted(want, *got); err != nil {
			return &settingsError{err}
		}
	}
	bits := unix.TIOCM_DTR | unix.TIOCM_RTS
	if c.Flow == FlowRTSCTS {
		bits = unix.TIOCM_DTR // RTS belongs to the driver
	}
	_ = unix.IoctlSetPointerInt(fd, unix.TIOCMBIS, bits) // ENOTTY on a pseudo-terminal, and on adapters without these lines
	return nil
}

// isPseudo says whether fd is the slave of a pseudo-terminal, which forces 8 bits without parity whatever is asked for.
// Majors 136 to 143 are theirs (Linux, Documentation/admin-guide/devices.txt; from memory).
func isPseudo(fd int) bool {
	var st unix.Stat_t
	if unix.Fstat(fd, &st) != nil {
		return false
	}
	major := unix.Major(uint64(st.Rdev))
	return major >= 136 && major <= 143
}

// Read takes the marks of parity errors and breaks out of what was read: see Marks.
func (n *native) Read(p []byte) (int, error) {
	for {
		raw, err := n.polled.Read(p)
		if err != nil {
			return 0, err
		}
		if left := n.marks.decode(p[:raw]); left > 0 {
			return left, nil
		}
		if len(n.marks.breaks) > 0 {
			return 0, ErrBreak
		}
	}
}

// Marks gives the offsets of damaged bytes and of breaks in what the last Read gave.
func (n *native) Marks() (damaged, breaks []int) { return n.marks.damaged, n.marks.breaks }

func (n *native) SetReadDeadline(t time.Time) error { return n.file.SetReadDeadline(t) }

func (n *native) Write(p []byte) (int, error) {
	if n.closed.Load() {
		return 0, os.ErrClosed
	}
	if err := n.file.SetWriteDeadline(time.Now().Add(n.writeLimit)); err != nil {
		return 0, err
	}
	done, err := n.file.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		// Half a command must not reach the balance minutes later, when somebody lets it send again.
		_ = n.raw.Control(func(fd uintptr) { _ = unix.IoctlSetInt(int(fd), unix.TCFLSH, unix.TCOFLUSH) })
	}
	return done, err
}

func (n *native) Close() error {
	n.closed.Store(true)
	return n.close()
}
