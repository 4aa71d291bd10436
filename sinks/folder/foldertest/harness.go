package foldertest

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// Far is a server with a folder, and a network in between that can go bad.
type Far struct {
	*Process
	Dir string // the folder on the disk below the server
	Net *toxic.Proxy
	// Open gives a new sink for the folder, as it is configured for an address; change is nil or how it is to be otherwise.
	Open func(t testing.TB, address string, change Change) *folder.Remote
}

// Change is how a sink is to be, other than usual.
type Change struct {
	CSV      bool
	Manifest bool
}

// Harness is the far side for sinktest.
func (f *Far) Harness(t *testing.T, deny func(bool)) sinktest.Harness {
	return sinktest.Harness{
		Open:     func() (sinks.Sink, error) { return f.Open(t, f.Net.Addr(), Change{}), nil },
		Received: func() []sinktest.Arrival { return Arrivals(f.Dir) },
		Break:    f.Net.Down,
		Mend:     func() { f.Net.Up(t) },
		Hang: func(on bool) {
			if on {
				f.Freeze(t)
			} else {
				f.Thaw(t)
			}
		},
		Refuse: func(id string) {
			for _, e := range sinktest.Weighings(50, 3) {
				if e.ID == id {
					name, _ := folder.ParseName(folder.EntryName + ".json")
					file, err := name.Render(e)
					if err != nil {
						t.Fatal(err)
					}
					Put(t, f.Dir, file, NotOurs)
					return
				}
			}
			t.Fatalf("there is no weighing %s", id)
		},
		Deny: deny,
		Once: true,
	}
}

// leftOver lists files that are not under their last name.
func leftOver(t testing.TB, dir string) (list []string) {
	for _, name := range Files(t, dir) {
		if strings.HasPrefix(filepath.Base(name), ".") {
			list = append(list, name)
		}
	}
	return list
}

// Passing wants an error that means try again, with these words.
func Passing(t testing.TB, err error, words string) {
	t.Helper()
	var r sinks.Refused
	var u sinks.Unusable
	if err == nil || errors.As(err, &r) || errors.As(err, &u) || !strings.Contains(err.Error(), words) {
		t.Errorf("got %T (%v), want one that passes, with %q", err, err, words)
	}
}

// FullAndReadOnly has the disk below the server fill up and turn read-only. start starts a server with a folder on that disk.
func FullAndReadOnly(t *testing.T, start func(t *testing.T, dir string) *Far) {
	disk := needs.SmallDisk(t, "size=2m")
	for _, above := range []string{disk, filepath.Dir(disk)} { // others have to get there
		if err := os.Chmod(above, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	dir := filepath.Join(disk, "weighings")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	f := start(t, dir)
	s := f.Open(t, f.Net.Addr(), Change{})
	entries := sinktest.Weighings(40, 1)
	if n, err := s.Deliver(t.Context(), entries[:10]); n != 10 {
		t.Fatal(err)
	}
	ballast := needs.Fill(t, disk)
	_, err := s.Deliver(t.Context(), entries[10:20])
	Passing(t, err, "no room left")
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Deliver(t.Context(), entries[10:20]); n != 10 {
		t.Fatal(err)
	}
	remount(t, disk, "ro")
	_, err = s.Deliver(t.Context(), entries[20:])
	Passing(t, err, "")
	t.Logf("read-only: %v", err)
	remount(t, disk, "rw")
	if n, err := s.Deliver(t.Context(), entries[20:]); n != 20 {
		t.Fatal(err)
	}
	Whole(t, f.Dir, entries)
}

func remount(t testing.TB, disk, how string) {
	t.Helper()
	if out, err := exec.Command("mount", "-o", "remount,"+how, disk).CombinedOutput(); err != nil {
		t.Fatalf("remount: %v: %s", err, out)
	}
}

// Bad has the network and the server fail in every way, again and again, while entries are delivered: at the end each entry is
// there, whole, once, and nothing else. Of 200 rounds 50 kill the server, 50 what serves connections, and 100 are the network's.
func Bad(t *testing.T, f *Far) {
	rounds, random := needs.Rounds(t, 4, 200) // in the short form each fault once
	entries := sinktest.Weighings(rounds*8, 5)
	s := f.Open(t, f.Net.Addr(), Change{})
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		watch(t, f.Dir, stop)
	}()
	amid := sinktest.Amid(t, s, entries, rounds, random, func(round int) {
		switch round % 4 {
		case 0:
			f.Kill(t)
			f.Start(t)
		case 1:
			f.KillServing(t)
		default:
			mend := f.Net.Fault(t, round/4*2+round%2, random)
			time.Sleep(time.Duration(20+random.IntN(150)) * time.Millisecond)
			mend()
		}
	})
	close(stop)
	<-done
	Whole(t, f.Dir, entries)
	sinktest.Judge(entries, Arrivals(f.Dir)).Hold(t, "server killed, what serves killed, or a bad network", rounds, amid, len(entries))
}
