package port

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// search looks for who has ports open, without touching the ports. Of each port it collects process numbers.
type search struct {
	devices map[string]int    // device → which port
	numbers map[devNumber]int // the same by number, as /proc/PID/stat has it
	locks   map[string]int    // the same as /proc/locks has it: "00:05:1234"
	who     []map[int]bool    // of each port: the processes
	console []bool            // of each port: the system prints to it
	unsure  bool
}

type devNumber struct{ major, minor int }

// findHolders fills in who has the ports open. Four traces are looked for, since each shows what another hides:
//
//   - open files of all processes, /proc/PID/fd: hidden without root, save one's own;
//   - locks, /proc/locks: shown to all; weighpost takes one (flock), and so do others;
//   - terminals that processes are controlled by, /proc/PID/stat: shown to all, and a log-in prompt has one;
//   - lock files, /run/lock/LCK..ttyUSB0 (Filesystem Hierarchy Standard 3.0, clause 5.9): shown to all.
//
// and /sys/class/tty/console/active says where the kernel itself prints.
func findHolders(ctx context.Context, all []Found) error {
	s := newSearch(all)
	s.consoles()
	s.lockFiles()
	s.lockTable()
	if err := s.processes(ctx); err != nil {
		return err
	}
	for i := range all {
		all[i].Holder = s.holder(i)
		all[i].HolderUnsure = s.unsure && all[i].Holder == ""
	}
	return nil
}

func newSearch(all []Found) *search {
	s := &search{devices: map[string]int{}, numbers: map[devNumber]int{}, locks: map[string]int{},
		who: make([]map[int]bool, len(all)), console: make([]bool, len(all))}
	for i, f := range all {
		s.who[i] = map[int]bool{}
		s.devices[f.Device] = i
		var st unix.Stat_t
		if unix.Stat(f.Device, &st) == nil {
			s.locks[fmt.Sprintf("%02x:%02x:%d", unix.Major(uint64(st.Dev)), unix.Minor(uint64(st.Dev)), st.Ino)] = i
		}
		text, _ := sysText(filepath.Join(sysFolder, "class", "tty", filepath.Base(f.Device)), "dev")
		major, minor, _ := strings.Cut(text, ":")
		a, err := strconv.Atoi(major)
		b, err2 := strconv.Atoi(minor)
		if err == nil && err2 == nil {
			s.numbers[devNumber{a, b}] = i
		}
	}
	return s
}

func (s *search) consoles() {
	text, _ := sysText(filepath.Join(sysFolder, "class", "tty", "console"), "active")
	for _, tty := range strings.Fields(text) {
		if i, ok := s.devices[filepath.Join(devFolder, tty)]; ok {
			s.console[i] = true
		}
	}
}

// lockFiles reads the number of the process that a lock file names. One that no longer lives left the file behind.
func (s *search) lockFiles() {
	for device, i := range s.devices {
		b, err := readSome(filepath.Join(runFolder, "lock", "LCK.."+filepath.Base(device)), 64)
		if err != nil {
			continue
		}
		if pid, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil && pid > 0 && s.lives(pid) {
			s.who[i][pid] = true
		}
	}
}

func (s *search) lives(pid int) bool {
	_, err := os.Stat(filepath.Join(procFolder, strconv.Itoa(pid)))
	return err == nil
}

// lockTable reads lines like "3: FLOCK  ADVISORY  WRITE 1234 00:05:391 0 EOF" (proc_locks(5)). Somebody of another container
// has the number 0 or is not shown; who only waits for a lock has "->" before the kind.
func (s *search) lockTable() {
	b, err := readSome(filepath.Join(procFolder, "locks"), 1<<20)
	if err != nil {
		return
	}
	for line := range strings.Lines(string(b)) {
		fields := strings.Fields(line)
		if len(fields) < 6 || fields[1] == "->" {
			continue
		}
		pid, err := strconv.Atoi(fields[4])
		if i, ok := s.locks[fields[5]]; ok && err == nil {
			s.who[i][pid] = true
		}
	}
}

// initialSpace is the space of process numbers that sees all of a computer: PROC_PID_INIT_INO of the kernel (from memory).
const initialSpace = "pid:[4026531836]"

func (s *search) processes(ctx context.Context) error {
	if space, _ := os.Readlink(filepath.Join(procFolder, "self", "ns", "pid")); space != initialSpace || !s.lives(1) {
		s.unsure = true // a container, or other users' processes are hidden altogether
	}
	names, err := os.ReadDir(procFolder)
	if err != nil {
		s.unsure = true
		return nil
	}
	for _, entry := range names {
		if err := ctx.Err(); err != nil {
			return err
		}
		pid, err := strconv.Atoi(entry.Name())
		if err != nil {
			continue
		}
		s.openFiles(pid)
		if pid != os.Getpid() {
			s.controlled(pid)
		}
	}
	return nil
}

// openFiles looks through what one process has open. A file whose device is gone is "/dev/ttyUSB0 (deleted)" and not looked for.
func (s *search) openFiles(pid int) {
	folder := filepath.Join(procFolder, strconv.Itoa(pid), "fd")
	files, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrPermission) {
		s.unsure = true
	}
	for _, file := range files {
		if pid == os.Getpid() && len(file.Name()) == 1 && file.Name() < "3" {
			continue // the terminal that somebody types at, not a balance
		}
		to, err := os.Readlink(filepath.Join(folder, file.Name()))
		if errors.Is(err, os.ErrPermission) {
			s.unsure = true
			return
		}
		if i, ok := s.devices[to]; ok {
			s.who[i][pid] = true
		}
	}
}

// controlled looks at the controlling terminal of a process: tty_nr, the seventh field of /proc/PID/stat, of which the second
// is a name in parentheses that may hold anything. Bits 8 to 19 are the major number, the others the minor (proc_pid_stat(5)).
func (s *search) controlled(pid int) {
	b, err := readSome(filepath.Join(procFolder, strconv.Itoa(pid), "stat"), 4096)
	if err != nil {
		return
	}
	text := string(b)
	fields := strings.Fields(text[strings.LastIndex(text, ")")+1:])
	if len(fields) < 5 {
		return
	}
	nr, err := strconv.ParseUint(fields[4], 10, 32)
	if err != nil || nr == 0 {
		return
	}
	n := devNumber{int(nr >> 8 & 0xfff), int(nr&0xff | nr>>12&0xfff00)}
	if i, ok := s.numbers[n]; ok {
		s.who[i][pid] = true
	}
}

// mostHolders is how many of those that hold a port are named.
const mostHolders = 4

// holder names those that have a port.
func (s *search) holder(i int) string {
	var names []string
	if s.console[i] {
		names = append(names, "the system's own console")
	}
	pids := make([]int, 0, len(s.who[i]))
	for pid := range s.who[i] {
		pids = append(pids, pid)
	}
	slices.Sort(pids)
	for n, pid := range pids {
		if n == mostHolders {
			names = append(names, fmt.Sprintf("%d more", len(pids)-n))
			break
		}
		names = append(names, s.program(pid))
	}
	return strings.Join(names, ", ")
}

func (s *search) program(pid int) string {
	if pid <= 0 {
		return "a process of another container"
	}
	name, ok := sysText(filepath.Join(procFolder, strconv.Itoa(pid)), "comm")
	if !ok || name == "" {
		name = "a program"
	}
	return fmt.Sprintf("%s (process %d)", name, pid)
}

// LookAtLines opens the port for a moment to read its modem lines, which raises DTR and RTS and lets them fall again: a balance
// that heeds them may notice. It refuses to where somebody has the port or might have it. The context is for what hangs in a
// driver: it then comes back and leaves the opening to itself.
func (f *Found) LookAtLines(ctx context.Context) error {
	switch {
	case f.Holder != "" || f.HolderUnsure:
		return errNotLooked
	case f.Kind == KindPseudo:
		return ErrNoModem
	}
	type answer struct {
		lines Lines
		err   error
	}
	done := make(chan answer, 1)
	go func() {
		l, err := briefly(f.Device)
		done <- answer{l, err}
	}()
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	select {
	case a := <-done:
		if a.err == nil {
			f.Lines = &a.lines
		}
		return a.err
	case <-ctx.Done():
		return fmt.Errorf("the port %s does not open: %w", f.Device, ctx.Err())
	}
}

// briefly opens a port, reads its lines and closes it, with a lock meanwhile. Its settings stay as they are.
func briefly(device string) (l Lines, err error) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return l, fmt.Errorf("the port %s does not open: %w", device, err)
	}
	defer unix.Close(fd)
	if err := lock(fd); err != nil {
		return l, fmt.Errorf("the port %s: %w", device, err)
	}
	time.Sleep(settle)
	l, err = linesOf(fd)
	if errors.Is(err, syscall.ENOTTY) {
		err = ErrNoModem
	}
	return l, err
}

// settle is how long after opening the lines are read: an adapter on USB reports them at intervals of up to 16 ms (common
// practice, from memory).
const settle = 60 * time.Millisecond
