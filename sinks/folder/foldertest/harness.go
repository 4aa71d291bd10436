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
// there, whole, once, and nothing else.
func Bad(t *testing.T, f *Far) {
	rounds, _, random := needs.Kills(t, 4) // each fault once
	rounds = min(rounds, 50)
	entries := sinktest.Weighings(rounds*20, 5)
	s := f.Open(t, f.Net.Addr(), Change{})
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		watch(t, f.Dir, stop)
	}()
	for round := range rounds {
		mine := entries[round*20 : round*20+20]
		var mend func()
		wait := time.Duration(random.IntN(40)) * time.Millisecond
		fault := round % 4
		if fault == 0 { // the connection carries so much and no more
			mend = f.Net.Add(t, "limit_data", "upstream", `{"bytes": `+itoa(2_000+random.IntN(40_000))+`}`)
		}
		broken := time.AfterFunc(wait, func() {
			switch fault {
			case 1:
				f.KillServing(t)
			case 2:
				f.Net.Down()
				f.Net.Up(t)
			case 3:
				f.Kill(t)
			}
		})
		acknowledged := 0
		for tries := 0; acknowledged < len(mine); tries++ {
			n, err := s.Deliver(t.Context(), mine[acknowledged:])
			acknowledged += n
			if err == nil {
				break
			}
			Passing(t, err, "")
			if tries > 200 {
				t.Fatalf("round %d: %v", round, err)
			}
			if mend != nil && tries > 1 {
				mend()
			}
			if fault == 3 && tries == 1 {
				if broken.Stop() {
					f.Kill(t)
				}
				f.Start(t)
			}
			time.Sleep(5 * time.Millisecond)
		}
		if mend != nil {
			mend()
		}
		if fault != 3 || broken.Stop() {
			broken.Stop()
		} else if !f.Listens() {
			f.Start(t)
		}
	}
	close(stop)
	<-done
	Whole(t, f.Dir, entries)
}
