package port

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port/pty"
	"weighpost/parsers/strict"
)

var hasty = backoff{first: time.Millisecond, serial: 4 * time.Millisecond, rest: 4 * time.Millisecond}

// cordAndLine is a cable end in a folder and a line that looks for it there, as by a name under /dev/serial/by-id.
func cordAndLine(t *testing.T, driver string) (*pty.Cord, *Line, watched) {
	t.Helper()
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	t.Cleanup(func() { cord.Pull() })
	board := newBoard()
	line := NewLine(Config{Address: cord.Path(), Driver: driver}, "b-1", board.Board, nil)
	line.backoff = hasty
	return cord, line, board
}

func plug(t *testing.T, cord *pty.Cord) {
	t.Helper()
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
}

func prints(t *testing.T, cord *pty.Cord, text string) {
	t.Helper()
	if _, err := cord.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
}

func TestAPortThatIsMissingAtStart(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		cord, line, board := cordAndLine(t, driver)
		s := newStory()
		stop := running(t, line, s)
		c := board.until(t, CodeMissing)
		if c.Subject != "b-1" || !strings.Contains(c.Sentence, cord.Path()) || c.Remedy == "" {
			t.Errorf("the condition is %+v", c)
		}
		if _, err := line.Write([]byte("?")); !errors.Is(err, ErrDown) {
			t.Errorf("writing to it says %v", err)
		}
		plug(t, cord)
		s.untilCount(t, "up", 1)
		board.until(t, "")
		prints(t, cord, "12.3450 g\r\n")
		s.untilText(t, "12.3450 g\r\n")
		if a := s.arrival; a.At.IsZero() || a.Emptied.After(a.At) {
			t.Errorf("arrival %+v", a)
		}
		if n, err := line.Write([]byte("?")); n != 1 || err != nil {
			t.Errorf("Write: %d, %v", n, err)
		}
		got := make([]byte, 4)
		if n, err := cord.Read(got); err != nil || string(got[:n]) != "?" {
			t.Errorf("the balance got %q, %v", got[:n], err)
		}
		stop()
		s.alternates(t)
		if s.count("down") != 1 || !errors.Is(s.why, errEnough) {
			t.Errorf("stopping was told as %v: %v", s.calls, s.why)
		}
	})
}

// TestUnpluggedAndBack: the link leads to another pseudo-terminal each time, as a re-numbered adapter does.
func TestUnpluggedAndBack(t *testing.T) {
	const rounds = 100
	forBothDrivers(t, func(t *testing.T, driver string) {
		before := descriptors(t)
		cord, line, board := cordAndLine(t, driver)
		s := newStory()
		stop := running(t, line, s)
		want := ""
		for round := range rounds {
			plug(t, cord)
			s.untilCount(t, "up", round+1)
			prints(t, cord, "1.0\r\n2.")
			want += "1.0\r\n2."
			s.untilText(t, want) // the half line has been read before the cable goes
			if err := cord.Pull(); err != nil {
				t.Fatal(err)
			}
			s.untilCount(t, "down", round+1)
			want += "|" // down comes between the halves of different lives
			board.until(t, CodeLost)
		}
		counts := line.Counts()
		stop()
		s.alternates(t)
		s.untilText(t, strings.Repeat("1.0\r\n2.|", rounds))
		if got := len(board.List()); got != 0 {
			t.Errorf("%d conditions are left after the end", got)
		}
		if after := descriptors(t); after != before {
			t.Errorf("%d descriptors before, %d after", before, after)
		}
		// One read ends each life; the others brought bytes. A reader that spins on a dead port makes thousands.
		if brought := uint64(s.count("bytes")); counts.Reads != brought+rounds {
			t.Errorf("%d reads, of which %d brought bytes, in %d lives", counts.Reads, brought, rounds)
		}
		t.Logf("%+v", counts)
	})
}

func TestAPortThatAnotherProgramHolds(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		cord, line, board := cordAndLine(t, driver)
		plug(t, cord)
		other := opened(t, Config{Address: cord.Path()})
		s := newStory()
		running(t, line, s)
		c := board.until(t, CodeBusy)
		if !strings.Contains(c.Sentence, "in use by another program") {
			t.Errorf("the condition is %+v", c)
		}
		other.Close()
		s.untilCount(t, "up", 1)
		board.until(t, "")
	})
}

// TestOneCauseIsOneCondition: a pulled cable is "lost", and the failing attempts to open do not make it a second thing; but
// when the port is back and somebody else has it, that is what is said.
func TestOneCauseIsOneCondition(t *testing.T) {
	cord, line, board := cordAndLine(t, DriverNative)
	s := newStory()
	running(t, line, s)
	board.until(t, CodeMissing)
	plug(t, cord)
	s.untilCount(t, "up", 1)
	board.until(t, "")
	if err := cord.Pull(); err != nil {
		t.Fatal(err)
	}
	since := board.until(t, CodeLost).Since
	for tries := line.Counts().Opens; line.Counts().Opens < tries+5; time.Sleep(time.Millisecond) {
		if list := board.List(); len(list) != 1 || list[0].Code != CodeLost || !list[0].Since.Equal(since) {
			t.Fatalf("conditions %+v", list)
		}
	}
	aside := pty.NewCord(cord.Path() + ".aside")
	plug(t, aside)
	defer aside.Pull()
	other := opened(t, Config{Address: aside.Path()})
	if err := os.Rename(aside.Path(), cord.Path()); err != nil {
		t.Fatal(err)
	}
	board.until(t, CodeBusy)
	other.Close()
	board.until(t, "")
	s.untilCount(t, "up", 2)
}

func TestStoppingDoesNotWaitForTheBalance(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		cord, line, _ := cordAndLine(t, driver)
		plug(t, cord)
		s := newStory()
		stop := running(t, line, s)
		s.untilCount(t, "up", 1)
		begin := time.Now()
		stop()
		took := time.Since(begin)
		t.Logf("stopped in %v", took)
		if took > 2*time.Second {
			t.Errorf("stopping took %v with a silent balance", took)
		}
	})
}

func TestAMegabyteOfNoisePassesThrough(t *testing.T) {
	cord, line, _ := cordAndLine(t, DriverNative)
	plug(t, cord)
	s := newStory()
	running(t, line, s)
	s.untilCount(t, "up", 1)
	noise := make([]byte, 1<<20)
	for i, x := 0, uint32(1); i < len(noise); i++ { // a small generator: the same noise each time
		x = x*1664525 + 1013904223
		noise[i] = byte(x >> 24)
	}
	prints(t, cord, string(noise))
	s.until(t, "1 MB", func(s *story) bool { return s.text.Len() >= len(noise) })
	s.untilText(t, string(noise))
}

// TestStuckFlowControlIsAConditionUntilTheNextGoodWrite: a write against XOFF times out, what the balance prints is still
// read, and the condition goes with the first write that is taken, or with the port.
func TestStuckFlowControlIsAConditionUntilTheNextGoodWrite(t *testing.T) {
	cord, line, board := cordAndLine(t, DriverNative)
	line.cfg.Flow, line.cfg.WriteTimeout = FlowXONXOFF, strict.Duration(150*time.Millisecond)
	line.open = line.cfg.Open
	plug(t, cord)
	h := newStory()
	running(t, line, h)
	h.untilCount(t, "up", 1)
	for _, end := range []string{"XON", "unplugged"} {
		prints(t, cord, "1.0\x13") // XOFF
		h.until(t, "the weight", func(s *story) bool { return strings.HasSuffix(s.text.String(), "1.0") })
		if _, err := line.Write([]byte("print\r\n")); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("a write against XOFF says %v", err)
		}
		c := board.until(t, health.FlowStuck)
		if !strings.Contains(c.Sentence, "b-1") || !strings.Contains(c.Sentence, "150ms") || !strings.Contains(c.Remedy, "xon-xoff") {
			t.Errorf("%s %s", c.Sentence, c.Remedy)
		}
		prints(t, cord, "2.0")
		h.until(t, "the next weight", func(s *story) bool { return strings.HasSuffix(s.text.String(), "2.0") })
		if end == "unplugged" {
			if err := cord.Pull(); err != nil {
				t.Fatal(err)
			}
			board.until(t, CodeLost)
			break
		}
		prints(t, cord, "\x11") // XON
		for limit := time.Now().Add(40 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			if _, err := line.Write([]byte("print\r\n")); err == nil {
				break
			}
			if time.Now().After(limit) {
				t.Fatal("no write is taken after XON")
			}
		}
		board.until(t, "")
	}
}
