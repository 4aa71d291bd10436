package port

import (
	"testing"
	"time"
)

// slow is a handler that is held up where it deals with bytes.
type slow struct {
	*story
	began, hold chan struct{}
}

func (s *slow) Bytes(p []byte, a Arrival) {
	s.began <- struct{}{}
	<-s.hold
	s.story.Bytes(p, a)
}

// A line is quiet when nothing is on its way, and not before the handler has dealt with what came.
func TestQuiet(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		cord, line, _ := cordAndLine(t, driver)
		if quiet, known := line.Quiet(); !quiet || !known {
			t.Error("something is on its way through a port that is not open")
		}
		plug(t, cord)
		s := &slow{story: newStory(), began: make(chan struct{}), hold: make(chan struct{})}
		stop := running(t, line, s)
		defer stop()
		s.untilCount(t, "up", 1)
		if driver == DriverLibrary {
			if _, known := line.Quiet(); known {
				t.Error("this driver cannot know")
			}
			return
		}
		becomes := func(want bool) {
			t.Helper()
			for limit := time.Now().Add(40 * time.Second); ; time.Sleep(time.Millisecond) {
				if quiet, known := line.Quiet(); quiet == want && known {
					return
				}
				if time.Now().After(limit) {
					t.Fatalf("never seen: quiet is %v", want)
				}
			}
		}
		becomes(true)
		prints(t, cord, "1")
		<-s.began
		becomes(false) // read, and not dealt with
		prints(t, cord, "2")
		s.hold <- struct{}{}
		<-s.began // the second
		becomes(false)
		s.hold <- struct{}{}
		becomes(true)
		s.untilText(t, "12")
	})
}

// A device server's port is not quiet while bytes are kept for a Read that does not come, nor before they were dealt with.
func TestQuietOfADeviceServer(t *testing.T) {
	server := newBadServer(t)
	p, far := server.opened(t, server.config())
	far.until(t, comSignature)
	settle := func() { _ = p.await(time.Now().Add(100*time.Millisecond), func() bool { return false }) }
	settle()
	if !p.quiet() {
		t.Error("something is on its way")
	}
	go func() { time.Sleep(30 * time.Millisecond); far.say([]byte("12")) }() // whoever asks waits for them, and Read does not
	if err := p.await(time.Now().Add(10*time.Second), func() bool { return len(p.have) == 2 }); err != nil {
		t.Fatal(err)
	}
	settle()
	if p.quiet() {
		t.Error("two bytes wait for a Read")
	}
	if n, err := p.Read(make([]byte, 8)); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	if since, waited := p.Emptied(); waited || since.IsZero() || time.Since(since) < 100*time.Millisecond {
		t.Errorf("the bytes had waited for their Read: since %v, waited %v", since, waited) // it did not wait for them
	}
	settle()
	if p.quiet() {
		t.Error("what was read has not been dealt with")
	}
	_ = p.SetReadDeadline(time.Now().Add(10 * time.Millisecond))
	_, _ = p.Read(make([]byte, 8))
	if !p.quiet() {
		t.Error("the reader has come back, and found nothing")
	}
}
