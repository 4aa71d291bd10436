package endure

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/backup"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// failing is what is held of each act whose disk fails.
var failing = []struct {
	act  string
	says []string // one of them is in the sentence of each failure of that act, beside what the disk said
}{
	{"append", []string{"recording is stopped"}},
	{"checkpoint", []string{"recording is stopped"}},
	{"backup", []string{"the backup cannot be written", "the backup was written and does not read back", "the journal cannot be backed up: recording is stopped"}},
	{"seal", []string{"could not be sealed", "could not be copied", "recording is stopped"}},
	{"export", []string{"was not written", "recording is stopped"}},
	{"rotate", []string{"the new key cannot be written", "recording is stopped", "the key was changed, and its files could not be moved"}},
	{"restore", []string{"no journal was built in", "could not be moved to their place", "cannot be locked"}},
	{"replace", []string{"no journal was built in", "could not be moved to their place", "cannot be renamed, and stays as it is",
		"the restored journal cannot be put in its place", "cannot be locked"}},
}

// Entries of a journal of which something can be sealed, and of one that is quickly copied and verified.
const (
	manyEntries = 1300
	fewEntries  = 200
)

// benchTop is a folder with a journal of old weighings, a backup of it, and another journal that a restore may replace.
func benchTop(t *testing.T, entries uint64) *site {
	t.Helper()
	s := &site{at: t.TempDir(), since: time.Now(), say: func(string, ...any) {}}
	err := s.open(t.Context())
	if err == nil {
		s.fill(t.Context(), entries)
		_, err = s.backup(t.Context())
	}
	if err = errors.Join(err, s.j.Close()); err != nil {
		t.Fatal(err)
	}
	o, err := journal.Open(t.Context(), journal.Options{Dir: s.folder("other"), Site: "north-lab"})
	if err == nil {
		_, err = o.Append(t.Context(), s.weighing("b-9", "another"))
		err = errors.Join(err, o.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// worker is a child that does one act when it is told to.
type worker struct {
	*witness
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
	t   *testing.T
}

func newWorker(t *testing.T, at, act string, since time.Time) *worker {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // none takes that long unless it hangs
	t.Cleanup(cancel)
	w := &worker{witness: newWitness(), cmd: exec.CommandContext(ctx, self), t: t}
	w.cmd.Env = append(os.Environ(), childAt+"="+at, childAct+"="+act, fmt.Sprintf("%s=%d", childSince, since.UnixNano()))
	w.cmd.Stderr = os.Stderr
	in, err := w.cmd.StdinPipe()
	out, cannot := w.cmd.StdoutPipe()
	if err = errors.Join(err, cannot); err == nil {
		w.in, w.out = in, bufio.NewReader(out)
		err = w.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	w.until("ready")
	return w
}

// until takes what the child says until a line.
func (w *worker) until(end string) {
	w.t.Helper()
	for {
		line, err := w.out.ReadString('\n')
		if err != nil {
			w.t.Fatalf("the child ended before it said %s: %q %v", end, w.failed, err)
		}
		line = strings.TrimSuffix(line, "\n")
		if w.hear(line); line == end {
			return
		}
	}
}

// tell has the child do its act and record a weighing, and gives why one or the other failed.
func (w *worker) tell(how string) []string {
	w.t.Helper()
	w.failed = nil
	if _, err := fmt.Fprintln(w.in, how); err != nil {
		w.t.Fatal(err)
	}
	w.until("ready")
	return w.failed
}

func (w *worker) end() {
	w.t.Helper()
	_ = w.in.Close()
	w.until("end")
	if err := w.cmd.Wait(); err != nil {
		w.t.Error(err)
	}
}

// meets runs one act on a disk that fails as f says, and again on one that works. It gives how many operations the first needed.
func meets(t *testing.T, d *failDisk, top *site, act string, says []string, f fault, n int) (ops int, why []string) {
	t.Helper()
	name := fmt.Sprintf("%s-%d", act, n)
	at, live := filepath.Join(d.dir, name), filepath.Join(d.live, name)
	if err := os.CopyFS(live, os.DirFS(top.at)); err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(live)
	if err := os.Chmod(filepath.Join(live, "journal", "key"), 0o600); err != nil {
		t.Fatal(err)
	}
	w := newWorker(t, at, act, top.since)
	d.arm(f)
	why = w.tell("go")
	ops, failed := d.heal()
	when := fmt.Sprintf("%s, %v at operation %d (%s)", act, f.errno, f.at, strings.Join(failed[:min(1, len(failed))], ""))
	w.fails(t, when, live, says, f.errno, failed)
	if f.at == 0 && w.made[act] == "" {
		t.Errorf("%s made nothing: there are no operations that could fail", act)
	}
	if again := w.tell("heal"); len(again) > 0 {
		t.Errorf("%s: when the disk works again: %q", when, again)
	}
	w.end()
	for _, fault := range w.judge(live) {
		t.Errorf("%s: in the end: %s", when, fault)
	}
	if strings.HasPrefix(act, "re") {
		restoredWhole(t, when, live)
	}
	return ops, why
}

// fails looks at what each failure says, and at what they left under final names.
func (w *worker) fails(t *testing.T, when, live string, says []string, errno syscall.Errno, failed []string) {
	t.Helper()
	cause := map[syscall.Errno][]string{syscall.EIO: {"input/output error", "disk I/O error", "unable to open database file"}, syscall.ENOSPC: {"no space left", "full", "unable to open database file"}}[errno]
	for _, why := range w.failed {
		has := func(s string) bool { return strings.Contains(why, s) }
		if !slices.ContainsFunc(says, has) && !strings.HasPrefix(why, "append: recording is stopped") {
			t.Errorf("%s: it says: %s", when, why)
		}
		if !slices.ContainsFunc(cause, has) {
			t.Errorf("%s: it does not say what the disk said: %s", when, why)
		}
	}
	bad := func(format string, args ...any) {
		t.Errorf("%s: after it failed: %s", when, fmt.Sprintf(format, args...))
	}
	w.judgeBackups(t.Context(), filepath.Join(live, "backups"), bad)
	removed := slices.ContainsFunc(failed, func(s string) bool { return strings.HasPrefix(s, "remove") })
	for _, folder := range []string{"backups", "exports", "archive"} {
		for _, n := range list(filepath.Join(live, folder), bad) {
			if unfinished(n.Name()) && !removed {
				bad("%s is left in %s", n.Name(), folder)
			}
		}
	}
}

// TestEveryActOnADiskThatFails has each act meet one error of the disk at each of its operations, and a disk that is full from there
// on. Nothing acknowledged is lost, nothing half made has a final name, the sentence says what happened, and the act works when the
// disk does.
func TestEveryActOnADiskThatFails(t *testing.T) {
	random, seed := newSeed(t)
	d, few, many := newFailDisk(t), benchTop(t, fewEntries), benchTop(t, manyEntries)
	for _, c := range failing {
		t.Run(c.act, func(t *testing.T) {
			top := few
			if c.act == "seal" {
				top = many
			}
			n, sentences := 0, map[string]bool{}
			faults := []fault{{errno: syscall.EIO}, {errno: syscall.ENOSPC, space: true, on: true}}
			if slow { // one of the two
				faults = faults[random.IntN(2):][:1]
			}
			for _, f := range faults {
				all, _ := meets(t, d, top, c.act, c.says, f, n)
				n++
				step := max(1, all/rounds(4, 60))
				for at := 1 + random.IntN(step); at <= all; at += step {
					f.at = at
					_, why := meets(t, d, top, c.act, c.says, f, n)
					n++
					for _, s := range why {
						sentences[strings.ReplaceAll(s, d.dir, "DISK")] = true
					}
				}
			}
			for s := range sentences {
				t.Logf("says: %.400s", s)
			}
			t.Logf("seed %d: %d faults", seed, n-len(faults))
		})
	}
}

// restoring is the order of a restore.
func (s *site) restoring(into string) (string, error) {
	names, err := filepath.Glob(filepath.Join(s.folder("backups"), "weighpost-*.tar"))
	if err != nil || len(names) == 0 {
		return "", fmt.Errorf("no backup to restore: %w", err)
	}
	b, err := backup.Open(names[0])
	if err != nil {
		return "", err
	}
	defer b.Close()
	key, err := os.ReadFile(filepath.Join(s.folder("journal"), "key"))
	if err != nil {
		return "", err
	}
	done, err := b.Restore(context.Background(), backup.RestoreOrder{Into: s.folder(into), SigningKey: string(key), Replace: true, Reason: reason,
		By: record.Actor{ID: "m.keller", By: record.ActorHost}, Stamp: s.stamp()})
	return done.Incarnation, err
}

func init() {
	acts["restore"] = func(s *site, _ context.Context) (string, error) { return s.restoring("restored") }
	acts["replace"] = func(s *site, _ context.Context) (string, error) { return s.restoring("other") }
}

// restoredWhole looks at the folders that a restore may have touched.
func restoredWhole(t *testing.T, when, live string) {
	t.Helper()
	dirs, _ := filepath.Glob(filepath.Join(live, "other*"))
	more, _ := filepath.Glob(filepath.Join(live, "restored*"))
	whole := 0
	for _, dir := range append(dirs, more...) {
		if _, staged := os.Stat(filepath.Join(dir, "new", "journal.db")); staged == nil {
			continue // built whole and not moved to its place, put aside by the restore after it
		}
		r, err := journal.Verify(context.Background(), dir, "", nil)
		if err != nil || !r.Verified {
			t.Errorf("%s: %s does not verify: %v %s", when, filepath.Base(dir), err, r.Text())
		}
		if r.Entries >= fewEntries { // the other journal has a handful
			whole++
		}
	}
	if whole == 0 {
		t.Errorf("%s: nothing was restored", when)
	}
}

// A real disk of 8 MB is filled by another program while old entries are to be sealed.
func TestSealingOnADiskThatIsFull(t *testing.T) {
	needs.Root(t, "to mount a small disk")
	at := t.TempDir()
	if err := syscall.Mount("tmpfs", at, "tmpfs", 0, "size=8m"); err != nil {
		needs.That(t, false, "the right to mount: "+err.Error())
	}
	defer func() {
		if err := syscall.Unmount(at, 0); err != nil {
			t.Error(err)
		}
	}()
	w := newWitness()
	s := &site{at: at, since: time.Now(), say: func(format string, args ...any) { w.hear(fmt.Sprintf(format, args...)) }}
	if err := s.open(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.fill(t.Context(), 1300)
	s.j.SetReserve(256 << 10)
	for _, left := range []int64{0, 8 << 10, 200 << 10} {
		filler := filepath.Join(at, "filler")
		if err := fillUp(filler, left); err != nil {
			t.Fatal(err)
		}
		if _, err := s.seal(t.Context()); err == nil || !strings.Contains(err.Error(), "could not be sealed: the disk has no room for a segment") {
			t.Errorf("with %d bytes left: %v", left, err)
		}
		if names := list(s.folder("archive"), t.Errorf); len(names) > 0 {
			t.Errorf("with %d bytes left, %d files are in the archive", left, len(names))
		}
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.append(t.Context()); err != nil {
		t.Error(err)
	}
	if made, err := s.seal(t.Context()); err != nil || made == "" {
		t.Errorf("with space again: %q %v", made, err)
	}
	if err := s.j.Close(); err != nil {
		t.Fatal(err)
	}
	for _, fault := range w.judge(at) {
		t.Error(fault)
	}
}

// fillUp writes a file until its disk is full, and gives so many bytes back.
func fillUp(name string, left int64) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer f.Close()
	chunk, size := make([]byte, 64<<10), int64(0)
	for {
		n, err := f.Write(chunk)
		if size += int64(n); err != nil {
			return f.Truncate(max(0, size-left))
		}
	}
}
