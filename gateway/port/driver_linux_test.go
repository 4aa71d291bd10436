package port

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
)

// One suite for both drivers, on pseudo-terminals.
func forBothDrivers(t *testing.T, run func(t *testing.T, driver string)) {
	for _, driver := range []string{DriverNative, DriverLibrary} {
		t.Run(driver, func(t *testing.T) { run(t, driver) })
	}
}

// descriptors counts the open files of this process.
func descriptors(t testing.TB) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

func TestEveryByteArrivesUnchanged(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver})
		noise := make([]byte, 1<<20)
		chacha := rand.NewChaCha8([32]byte{1})
		_, _ = chacha.Read(noise)
		for i := range 256 { // every value, and every neighbour of NUL, XON, XOFF, DEL …
			noise[i] = byte(i)
		}
		wrote := make(chan error, 1)
		go func() { _, err := master.Write(noise); wrote <- err }()
		got := make([]byte, len(noise))
		within(t, 30*time.Second, "reading 1 MB", func() {
			if _, err := io.ReadFull(p, got); err != nil {
				t.Error(err)
			}
		})
		if err := <-wrote; err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, noise) {
			t.Fatal("what came is not what was sent")
		}
	})
}

func TestWhatIsWrittenReachesTheBalance(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver})
		every := make([]byte, 256)
		for i := range every {
			every[i] = byte(i)
		}
		if n, err := p.Write(every); n != 256 || err != nil {
			t.Fatalf("Write: %d, %v", n, err)
		}
		got := make([]byte, 256)
		if _, err := io.ReadFull(master, got); err != nil || !bytes.Equal(got, every) {
			t.Fatalf("%v, %x", err, got)
		}
	})
}

func TestADeadlineEndsAReadAndThePortLivesOn(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver})
		buf := make([]byte, 64)
		for range 2 {
			begin := time.Now()
			if err := p.SetReadDeadline(begin.Add(120 * time.Millisecond)); err != nil {
				t.Fatal(err)
			}
			n, err := p.Read(buf)
			if took := time.Since(begin); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || took < 119*time.Millisecond {
				t.Fatalf("%d bytes, %v, after %v", n, err, took)
			}
		}
		if err := p.SetReadDeadline(time.Time{}); err != nil {
			t.Fatal(err)
		}
		empty := time.Now()
		if _, err := master.Write([]byte("x")); err != nil {
			t.Fatal(err)
		}
		if n, err := p.Read(buf); n != 1 || err != nil {
			t.Fatalf("after the deadline: %d bytes, %v", n, err)
		}
		at, _ := p.(emptier).Emptied()
		if at.IsZero() || at.After(time.Now()) || empty.Sub(at) > time.Second {
			t.Errorf("found empty at %v, the byte came after %v", at, empty)
		}
	})
}

// TestEmptiedIsBeforeTheBytes: bytes that waited while nobody read came after the time that the reader saw nothing.
func TestEmptiedIsBeforeTheBytes(t *testing.T) {
	master, slave := newPTY(t)
	p := opened(t, Config{Address: slave})
	buf := make([]byte, 1)
	read := func() {
		if _, err := p.Read(buf); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := master.Write([]byte("ab")); err != nil { // both wait before the first look
		t.Fatal(err)
	}
	read()
	read()
	if at, _ := p.(emptier).Emptied(); !at.IsZero() {
		t.Errorf("found empty at %v, but it never was", at)
	}
	before := time.Now()
	_ = p.SetReadDeadline(time.Now().Add(time.Millisecond))
	if _, err := p.Read(buf); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatal(err)
	}
	_ = p.SetReadDeadline(time.Time{})
	sent := time.Now()
	if _, err := master.Write([]byte("cd")); err != nil {
		t.Fatal(err)
	}
	read()
	read()
	if at, _ := p.(emptier).Emptied(); at.Before(before) || at.After(time.Now()) || at.Sub(sent) > 100*time.Millisecond {
		t.Errorf("found empty at %v, sent at %v", at, sent)
	}
}

func TestCloseFreesAPendingRead(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		_, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver})
		reading, ended := make(chan struct{}), make(chan error, 1)
		go func() {
			close(reading)
			_, err := p.Read(make([]byte, 8))
			ended <- err
		}()
		<-reading
		begin := time.Now()
		within(t, 5*time.Second, "Close", func() {
			if err := p.Close(); err != nil {
				t.Error(err)
			}
			if err := <-ended; !errors.Is(err, os.ErrClosed) {
				t.Errorf("the read ended with %v", err)
			}
		})
		t.Logf("closed and freed in %v", time.Since(begin))
		if err := p.Close(); err != nil {
			t.Errorf("the second Close says %v", err)
		}
		if _, err := p.Read(make([]byte, 8)); !errors.Is(err, os.ErrClosed) {
			t.Errorf("a later read says %v", err)
		}
		if _, err := p.Write([]byte("x")); !errors.Is(err, os.ErrClosed) {
			t.Errorf("a later write says %v", err)
		}
	})
}

func TestAHangUpIsAnError(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver})
		ended := make(chan error, 1)
		go func() { _, err := p.Read(make([]byte, 8)); ended <- err }()
		master.Close()
		within(t, 5*time.Second, "reading after the hang-up", func() {
			if err := <-ended; err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("the read ended with %v", err)
			}
		})
	})
}

func TestAStuckWriteTimesOutAndReadingGoesOn(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		p := opened(t, Config{Address: slave, Driver: driver, WriteTimeout: strict.Duration(150 * time.Millisecond)})
		within(t, 10*time.Second, "a write that nobody takes", func() {
			if _, err := p.Write(make([]byte, 1<<20)); !errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("Write says %v", err)
			}
		})
		if _, err := master.Write([]byte("still here")); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 10)
		if _, err := io.ReadFull(p, got); err != nil || string(got) != "still here" {
			t.Errorf("%q, %v", got, err)
		}
		within(t, 5*time.Second, "Close", func() { p.Close() })
	})
}

// TestXOFFStopsWritingAndXONFreesIt is for the driver that does flow control. The balance's XOFF holds our write until its
// limit; what was not sent is thrown away and never arrives late.
func TestXOFFStopsWritingAndXONFreesIt(t *testing.T) {
	const xon, xoff = "\x11", "\x13"
	master, slave := newPTY(t)
	p := opened(t, Config{Address: slave, Flow: FlowXONXOFF, WriteTimeout: strict.Duration(150 * time.Millisecond)})
	if _, err := master.Write([]byte("1.0" + xoff)); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 3)
	if _, err := io.ReadFull(p, got); err != nil || string(got) != "1.0" {
		t.Fatalf("%q, %v", got, err)
	}
	if n, err := p.Write([]byte("late")); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("a write against XOFF: %d, %v", n, err)
	}
	if _, err := master.Write([]byte("2.0")); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(p, got); err != nil || string(got) != "2.0" {
		t.Fatalf("reading stopped too: %q, %v", got, err)
	}
	if _, err := master.Write([]byte(xon + "3.0")); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(p, got); err != nil || string(got) != "3.0" {
		t.Fatalf("%q, %v", got, err)
	}
	if n, err := p.Write([]byte("soon")); n != 4 || err != nil {
		t.Fatalf("a write after XON: %d, %v", n, err)
	}
	sent := make([]byte, 16)
	if n, err := master.Read(sent); err != nil || string(sent[:n]) != "soon" {
		t.Errorf("the balance got %q, %v", sent[:n], err)
	}
}

// TestHalfACommandIsNotSentLater: what the port took before the limit and the balance has not got is thrown away. The
// terminal's far side may hold one buffer of 4 kB that nobody can take back.
func TestHalfACommandIsNotSentLater(t *testing.T) {
	master, slave := newPTY(t)
	p := opened(t, Config{Address: slave, WriteTimeout: strict.Duration(150 * time.Millisecond)})
	taken, err := p.Write(make([]byte, 1<<20))
	if !errors.Is(err, os.ErrDeadlineExceeded) || taken <= 4096 {
		t.Fatalf("Write: %d, %v", taken, err)
	}
	_ = master.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
	arrived, _ := io.Copy(io.Discard, struct{ io.Reader }{master})
	t.Logf("%d bytes taken, %d arrived", taken, arrived)
	if arrived > 4096 {
		t.Errorf("of %d bytes that were taken %d arrived after the write was given up", taken, arrived)
	}
}

func TestASecondOwnerIsTurnedAway(t *testing.T) {
	for _, pair := range [][2]string{{DriverNative, DriverNative}, {DriverNative, DriverLibrary}, {DriverLibrary, DriverNative}, {DriverLibrary, DriverLibrary}} {
		t.Run(pair[0]+" then "+pair[1], func(t *testing.T) {
			_, slave := newPTY(t)
			first := opened(t, Config{Address: slave, Driver: pair[0]})
			_, err := Config{Address: slave, Driver: pair[1]}.Open(t.Context())
			var trouble *Trouble
			if !errors.As(err, &trouble) || trouble.Code != CodeBusy || !strings.Contains(trouble.Sentence, slave) ||
				!strings.Contains(trouble.Sentence, "in use by another program") {
				t.Fatalf("the second open says %v", err)
			}
			first.Close()
			opened(t, Config{Address: slave, Driver: pair[1]})
		})
	}
}

// TestAnotherUsersProgramIsKeptOut: TIOCEXCL holds while we have the port, and not after, although the terminal lives on.
func TestAnotherUsersProgramIsKeptOut(t *testing.T) {
	needs.Root(t, "to run a program as another user")
	forBothDrivers(t, func(t *testing.T, driver string) {
		_, slave := newPTY(t)
		if err := os.Chmod(slave, 0o666); err != nil {
			t.Fatal(err)
		}
		try := func() (string, error) {
			cmd := exec.Command("/bin/sh", "-c", "exec 3<>"+slave)
			cmd.Dir = "/"
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}, Setsid: true}
			out, err := cmd.CombinedOutput()
			return string(out), err
		}
		p := opened(t, Config{Address: slave, Driver: driver})
		if out, err := try(); err == nil || !strings.Contains(strings.ToLower(out), "busy") {
			t.Errorf("while we have it: %v %s", err, out)
		}
		p.Close()
		if out, err := try(); err != nil {
			t.Errorf("after we closed it: %v %s", err, out)
		}
	})
}

func TestWhatIsNoSerialPort(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	loop := filepath.Join(t.TempDir(), "loop")
	if err := os.Symlink(loop, loop); err != nil {
		t.Fatal(err)
	}
	forBothDrivers(t, func(t *testing.T, driver string) {
		for _, c := range []struct{ address, code, says string }{
			{file, CodeRefused, ""},
			{"/dev/null", CodeRefused, ""},
			{file + "-gone", CodeMissing, "There is no serial port"},
			{file + "/x", CodeMissing, "There is no serial port"},
			{loop, CodeMissing, "There is no serial port"},
		} {
			_, err := Config{Address: c.address, Driver: driver}.Open(t.Context())
			var trouble *Trouble
			if !errors.As(err, &trouble) || trouble.Code != c.code || !strings.Contains(trouble.Sentence, c.says) || trouble.Remedy == "" {
				t.Errorf("%s: %v", c.address, err)
			}
		}
	})
}

func TestOpeningAndClosingLeavesNothingOpen(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		before := descriptors(t)
		for range 3 {
			var ports []Port
			for range 64 {
				_, slave := newPTY(t)
				ports = append(ports, opened(t, Config{Address: slave, Driver: driver}))
			}
			for _, p := range ports {
				p.Close()
			}
		}
		if got, want := descriptors(t), before+3*64; got != want { // the masters close with the test
			t.Errorf("%d descriptors, want %d", got, want)
		}
	})
}

// TestClosingWhileOthersOpen is what hung the library: descriptors of closed ports are given to ports that open, while
// readers still look at them.
func TestClosingWhileOthersOpen(t *testing.T) {
	rounds := 15
	if os.Getenv("WEIGHPOST_LONG") != "" {
		rounds = 2000
	}
	forBothDrivers(t, func(t *testing.T, driver string) {
		before := descriptors(t)
		within(t, time.Minute+time.Duration(rounds)*200*time.Millisecond, "opening and closing at once", func() {
			var all sync.WaitGroup
			for worker := range 8 {
				all.Go(func() {
					for round := range rounds {
						openReadAndEnd(t, driver, (worker+round)%3, worker%2 == 0)
					}
				})
			}
			all.Wait()
		})
		if after := descriptors(t); after != before {
			t.Errorf("%d descriptors before, %d after", before, after)
		}
	})
}

// openReadAndEnd has a reader wait in a port and ends it: by closing, by unplugging, or by both at once.
func openReadAndEnd(t *testing.T, driver string, how int, settled bool) {
	master, slave, err := openPTY()
	if err != nil {
		t.Error(err)
		return
	}
	p, err := Config{Address: slave, Driver: driver}.Open(t.Context())
	if err != nil {
		t.Error(err)
		return
	}
	const line = "1.2345 g\r\n"
	read, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for n := 0; ; {
			m, err := p.Read(make([]byte, 64))
			if n += m; m > 0 && n == len(line) {
				close(read)
			}
			if err != nil {
				return
			}
		}
	}()
	_, _ = master.Write([]byte(line))
	if settled {
		<-read // it waits for more now, or will in a moment
	}
	switch how {
	case 0:
		p.Close()
		master.Close()
	case 1:
		master.Close()
	case 2:
		go master.Close()
		p.Close()
		master.Close()
	}
	<-ended
	p.Close()
}

// TestTooManyFilesForTheLibraryIsAnError: the library panics with a descriptor past 1,023; that must not end the daemon.
func TestTooManyFilesForTheLibraryIsAnError(t *testing.T) {
	var files []*os.File
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	for range 1024 {
		f, err := os.Open("/dev/null")
		if err != nil {
			needs.That(t, false, "more open files: "+err.Error())
		}
		files = append(files, f)
	}
	_, slave := newPTY(t)
	p := opened(t, Config{Address: slave, Driver: DriverLibrary})
	if _, err := p.Read(make([]byte, 8)); err == nil || !strings.Contains(err.Error(), "driver native") {
		t.Errorf("Read says %v", err)
	}
	within(t, 5*time.Second, "Close", func() { p.Close() })
	// The other driver does not mind.
	opened(t, Config{Address: slave})
}

func BenchmarkReadALine(b *testing.B) {
	master, slave := newPTY(b)
	p := opened(b, Config{Address: slave})
	line, buf := []byte("  +  12.3450 g  \r\n"), make([]byte, 256)
	b.ReportAllocs()
	for b.Loop() {
		_, _ = master.Write(line)
		for n := 0; n < len(line); {
			m, err := p.Read(buf)
			if err != nil {
				b.Fatal(err)
			}
			n += m
		}
	}
}

func TestReadingMakesNoGarbage(t *testing.T) {
	master, slave := newPTY(t)
	p := opened(t, Config{Address: slave})
	line, buf := []byte("1"), make([]byte, 16)
	allocs := testing.AllocsPerRun(200, func() {
		_, _ = master.Write(line)
		if _, err := p.Read(buf); err != nil {
			t.Fatal(err)
		}
	})
	if allocs != 0 {
		t.Errorf("%v allocations a read", allocs)
	}
}
