package port

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// attempts makes a line whose port can never be opened, and says when it was tried, from its start.
func attempts(t *testing.T, address string, err error, during time.Duration) (times []time.Duration) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		line := NewLine(Config{Address: address}, "b-1", nil, nil)
		begin := time.Now()
		line.open = func(context.Context) (Port, error) {
			times = append(times, time.Since(begin))
			return nil, explain(line.cfg.withDefaults(), err)
		}
		stop := running(t, line, newStory())
		time.Sleep(during)
		stop()
	})
	return times
}

func TestWaitingForAPortCostsNextToNothing(t *testing.T) {
	for _, c := range []struct {
		name, address string
		err           error
		longest       time.Duration
		most          int // attempts in an hour
	}{
		{"missing", "/dev/ttyUSB0", fs.ErrNotExist, 4 * time.Second, 3600/3 + 8},
		{"busy", "/dev/ttyUSB0", syscall.EBUSY, 4 * time.Second, 3600/3 + 8},
		{"not permitted", "/dev/ttyUSB0", fs.ErrPermission, 30 * time.Second, 3600/22 + 10},
		{"no answer", "tcp://192.0.2.7:4001", syscall.ECONNREFUSED, 30 * time.Second, 3600/22 + 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			times := attempts(t, c.address, c.err, time.Hour)
			if len(times) > c.most || len(times) < 3600/int(c.longest.Seconds()) {
				t.Errorf("%d attempts in an hour", len(times))
			}
			if times[0] != 0 || times[1] > 250*time.Millisecond {
				t.Errorf("the first attempts come at %v and %v", times[0], times[1])
			}
			even := true
			for i := 1; i < len(times); i++ {
				wait := times[i] - times[i-1]
				if wait > c.longest {
					t.Fatalf("waited %v before attempt %d", wait, i)
				}
				if i > 12 && wait != times[i-1]-times[i-2] {
					even = false
				}
			}
			if even {
				t.Error("the waits have no jitter")
			}
		})
	}
}

// TestAPortIsBackWithinFiveSeconds: however long it was away.
func TestAPortIsBackWithinFiveSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line := NewLine(Config{Address: "/dev/ttyUSB0"}, "b-1", nil, nil)
		var there atomic.Bool
		line.open = func(context.Context) (Port, error) {
			if !there.Load() {
				return nil, explain(line.cfg.withDefaults(), fs.ErrNotExist)
			}
			near, _ := net.Pipe()
			return near, nil
		}
		s := newStory()
		running(t, line, s)
		time.Sleep(9*time.Hour + 1234*time.Millisecond)
		there.Store(true)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if s.count("up") != 1 {
			t.Errorf("after 5 s: %v", s.calls)
		}
	})
}

// TestAServerThatHangsUpAtOnceIsNotHammered: each life is short, so the waits grow although every attempt succeeds.
func TestAServerThatHangsUpAtOnceIsNotHammered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		board := newBoard()
		line := NewLine(Config{Address: "tcp://192.0.2.7:4001"}, "b-1", board.Board, nil)
		line.open = func(context.Context) (Port, error) {
			near, far := net.Pipe()
			far.Close()
			return near, nil
		}
		s := newStory()
		stop := running(t, line, s)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if list := board.List(); len(list) != 1 || list[0].Code != CodeLost {
			t.Errorf("conditions %+v", list)
		}
		stop()
		s.alternates(t)
		if n := s.count("up"); n > 600/22+10 || n < 20 {
			t.Errorf("%d connections in 10 minutes", n)
		}
	})
}

// TestALongLifeStartsTheWaitsAnew: after an hour of service the first attempt comes within 0.25 s of the loss.
func TestALongLifeStartsTheWaitsAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line := NewLine(Config{Address: "tcp://192.0.2.7:4001"}, "b-1", nil, nil)
		fails, ends := 20, make(chan net.Conn, 2)
		line.open = func(context.Context) (Port, error) {
			if fails > 0 {
				fails--
				return nil, explain(line.cfg, syscall.ECONNREFUSED)
			}
			near, far := net.Pipe()
			ends <- far
			return near, nil
		}
		s := newStory()
		running(t, line, s)
		time.Sleep(2 * time.Hour)
		(<-ends).Close()
		time.Sleep(250 * time.Millisecond)
		synctest.Wait()
		if s.count("up") != 2 || s.at[len(s.at)-1].Sub(s.at[len(s.at)-2]) > 250*time.Millisecond {
			t.Errorf("%v at %v", s.calls, s.at)
		}
	})
}

func TestIdleIsToldOnceForEachPause(t *testing.T) {
	for _, gap := range []time.Duration{0, 300 * time.Millisecond} {
		t.Run(fmt.Sprint(gap), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := net.Pipe()
				line := NewLine(Config{Address: "/dev/ttyUSB0"}, "b-1", nil, nil)
				line.SetIdleGap(gap)
				line.open = func(context.Context) (Port, error) { return near, nil }
				s := newStory()
				stop := running(t, line, s)
				say := func(text string, then time.Duration) { _, _ = io.WriteString(far, text); time.Sleep(then) }
				time.Sleep(time.Hour) // nothing said yet: no pause
				say("1.2", 200*time.Millisecond)
				say("3", time.Minute)
				say("4.5", time.Minute)
				stop()
				want := "[up bytes bytes idle bytes idle down]"
				if gap == 0 {
					want = "[up bytes bytes bytes down]"
				}
				if got := fmt.Sprint(s.calls); got != want {
					t.Fatalf("told %s, want %s", got, want)
				}
				if gap > 0 {
					if pause := s.at[3].Sub(s.at[2]); pause != gap {
						t.Errorf("idle came %v after the last bytes", pause)
					}
				}
				if line.Counts().Reads > 8 {
					t.Errorf("%d reads", line.Counts().Reads)
				}
			})
		})
	}
}

// TestErrorsAreSorted: what the system says at opening, and what the person reads.
func TestErrorsAreSorted(t *testing.T) {
	tty := Config{Address: "/dev/ttyUSB0"}.withDefaults()
	for _, c := range []struct {
		err        error
		code, says string
	}{
		{&os.PathError{Op: "open", Path: "/dev/ttyUSB0", Err: syscall.ENOENT}, CodeMissing, "There is no serial port /dev/ttyUSB0 (no such file or directory). Plug in"},
		{syscall.ENXIO, CodeMissing, "There is no serial port"},
		{syscall.ENODEV, CodeMissing, "There is no serial port"},
		{syscall.EIO, CodeMissing, "There is no serial port"},
		{syscall.EBUSY, CodeBusy, "in use by another program"},
		{errHeld, CodeBusy, "in use by another program"},
		{&os.PathError{Op: "open", Path: "/dev/ttyUSB0", Err: syscall.EACCES}, CodeRefused, "group dialout"},
		{syscall.EPERM, CodeRefused, "group dialout"},
		{syscall.EMFILE, CodeRefused, "too many open files"},
		{errNotSerial, CodeRefused, "is not a serial port"},
		{&settingsError{syscall.EINVAL}, CodeRefused, "does not take the settings 9600 8N1"},
	} {
		trouble := explain(tty, c.err)
		if trouble.Code != c.code || !strings.Contains(trouble.Error(), c.says) || trouble.Remedy == "" {
			t.Errorf("%v: %s, %q", c.err, trouble.Code, trouble.Error())
		}
	}
}

// stuck is a handler that does not come back from the bytes that it is given.
type stuck struct {
	*story
	free chan struct{}
}

func (s stuck) Bytes(p []byte, a Arrival) {
	s.story.Bytes(p, a)
	<-s.free
}

// TestAReaderThatIsHeldUpShowsNoLife, while one that waits for its balance, or for its port, does.
func TestAReaderThatIsHeldUpShowsNoLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		line := NewLine(Config{Address: "/dev/ttyUSB0"}, "b-1", nil, nil)
		opened := false
		line.open = func(context.Context) (Port, error) {
			if opened {
				return nil, explain(line.cfg.withDefaults(), fs.ErrNotExist)
			}
			opened = true
			return near, nil
		}
		h := stuck{newStory(), make(chan struct{})}
		stop := running(t, line, h)
		alive := func(what string, want time.Duration) {
			t.Helper()
			synctest.Wait()
			if idle := time.Since(line.Alive()); idle != want {
				t.Errorf("%s: no life for %v", what, idle)
			}
		}
		time.Sleep(24 * time.Hour)
		alive("a silent balance", 0)
		_, _ = io.WriteString(far, "1")
		time.Sleep(time.Minute)
		alive("a reader held up", time.Minute)
		h.free <- struct{}{}
		alive("a reader that goes on", 0)
		far.Close()
		time.Sleep(time.Hour)
		alive("a port that is gone", 0)
		stop()
		time.Sleep(time.Hour)
		alive("after the end", time.Hour)
	})
}
