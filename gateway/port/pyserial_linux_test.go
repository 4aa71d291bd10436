package port

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/port/comtest"
)

// TestARealServerSetsItsLine: what pyserial made of the settings is what it tells its serial device, and of the speed, the stop
// bits and the flow control also what the terminal itself has; data bits and parity a pseudo-terminal refuses to keep.
func TestARealServerSetsItsLine(t *testing.T) {
	p := comtest.Start(t, comtest.Options{})
	for _, c := range []Config{
		{}, {Speed: 1200, DataBits: 7, Parity: ParityEven, StopBits: 2}, {Speed: 19200, Parity: ParityOdd}, {Speed: 300, DataBits: 7, Parity: ParityMark},
		{Speed: 4800, DataBits: 7, Parity: ParitySpace, Flow: FlowXONXOFF}, {Speed: 115200, DataBits: 5, StopBits: 2}, {Speed: 38400, Flow: FlowRTSCTS},
	} {
		c.Address = p.Address
		t.Run(c.Settings(), func(t *testing.T) {
			open := opened(t, c)
			w := c.withDefaults()
			p.Until(t, fmt.Sprintf("set %d %d %s %d", w.Speed, w.DataBits, strings.ToUpper(w.Parity[:1]), w.StopBits))
			p.Until(t, "dtr on")
			if c.Flow != FlowRTSCTS {
				p.Until(t, "rts on")
			}
			raw, _ := p.Balance.SyscallConn()
			_ = raw.Control(func(fd uintptr) {
				got, err := unix.IoctlGetTermios(int(fd), unix.TCGETS2)
				if err != nil {
					t.Fatal(err)
				}
				want := c.withDefaults()
				if int(got.Ospeed) != want.Speed || (got.Cflag&unix.CSTOPB != 0) != (want.StopBits == 2) {
					t.Errorf("the terminal has %d bits a second and flags %#o", got.Ospeed, got.Cflag)
				}
				if (got.Cflag&unix.CRTSCTS != 0) != (c.Flow == FlowRTSCTS) || (got.Iflag&unix.IXON != 0) != (c.Flow == FlowXONXOFF) {
					t.Errorf("the terminal has the flags %#o and %#o", got.Cflag, got.Iflag)
				}
			})
			open.Close()
		})
	}
}

func TestARealServerPassesEveryByte(t *testing.T) {
	p := comtest.Start(t, comtest.Options{})
	port := opened(t, Config{Address: p.Address})
	p.Until(t, "rts on")
	noise := make([]byte, 1<<16)
	_, _ = rand.NewChaCha8([32]byte{2}).Read(noise)
	for i := range 256 {
		noise[i] = byte(i)
		noise[256+i] = 0xFF
	}
	wrote := make(chan error, 1)
	go func() { _, err := p.Balance.Write(noise); wrote <- err }()
	got := make([]byte, len(noise))
	within(t, 30*time.Second, "reading 64 kB", func() {
		if _, err := io.ReadFull(port, got); err != nil {
			t.Error(err)
		}
	})
	if err := <-wrote; err != nil || !bytes.Equal(got, noise) {
		t.Fatalf("what came is not what was sent (%v)", err)
	}
	if n, err := port.Write(noise[:1024]); n != 1024 || err != nil {
		t.Fatalf("Write: %d, %v", n, err)
	}
	within(t, 30*time.Second, "reading what was written", func() {
		if _, err := io.ReadFull(p.Balance, got[:1024]); err != nil || !bytes.Equal(got[:1024], noise[:1024]) {
			t.Errorf("%v", err)
		}
	})
}

// TestARealServersModemLines: with nobody reading, so that whoever asks reads; and with a reader beside.
func TestARealServersModemLines(t *testing.T) {
	p := comtest.Start(t, comtest.Options{})
	open := opened(t, Config{Address: p.Address})
	modem := open.(Modem)
	far := func(t *testing.T, command string, want Lines) {
		t.Helper()
		if line, state, is := strings.Cut(command, " "); is {
			p.Far(line, state == "on")
		}
		for limit := time.Now().Add(10 * time.Second); ; {
			got, err := modem.Lines()
			if err != nil {
				t.Fatal(err)
			}
			if got == want {
				return
			}
			if time.Now().After(limit) {
				t.Fatalf("after %q the lines are %+v, want %+v", command, got, want)
			}
		}
	}
	all := func(t *testing.T) {
		far(t, "cts on", Lines{DTR: true, RTS: true, CTS: true})
		far(t, "dsr on", Lines{DTR: true, RTS: true, CTS: true, DSR: true})
		far(t, "cd on", Lines{DTR: true, RTS: true, CTS: true, DSR: true, DCD: true})
		far(t, "ri on", Lines{DTR: true, RTS: true, CTS: true, DSR: true, DCD: true, RI: true})
		if err := modem.SetDTR(false); err != nil {
			t.Fatal(err)
		}
		p.Until(t, "dtr off")
		if err := modem.SetRTS(false); err != nil {
			t.Fatal(err)
		}
		p.Until(t, "rts off")
		far(t, "cts off", Lines{DSR: true, DCD: true, RI: true})
		if err := errors.Join(modem.SetDTR(true), modem.SetRTS(true)); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"dsr", "ri", "cd"} {
			p.Far(name, false)
		}
		far(t, "", Lines{DTR: true, RTS: true})
	}
	t.Run("nobody reads", all)
	if _, err := p.Balance.Write([]byte("12.3450 g\r\n")); err != nil {
		t.Fatal(err)
	}
	far(t, "", Lines{DTR: true, RTS: true}) // whoever asks meets the line and keeps it
	got := make(chan byte, 100)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for buf := make([]byte, 3); ; {
			n, err := open.Read(buf)
			if err != nil {
				return
			}
			for _, c := range buf[:n] {
				got <- c
			}
		}
	}()
	t.Run("with a reader", all)
	var line []byte
	for range len("12.3450 g\r\n") {
		line = append(line, <-got)
	}
	if string(line) != "12.3450 g\r\n" {
		t.Errorf("got %q", line)
	}
	open.Close()
	<-ended
	if err := modem.SetDTR(true); !errors.Is(err, os.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

func TestARealServerIsEmptied(t *testing.T) {
	p := comtest.Start(t, comtest.Options{})
	open := opened(t, Config{Address: p.Address})
	modem := open.(Modem)
	if _, err := p.Balance.Write([]byte("old")); err != nil {
		t.Fatal(err)
	}
	r := open.(*rfc2217)
	within(t, 10*time.Second, "waiting for the old bytes", func() {
		_ = r.await(time.Now().Add(9*time.Second), func() bool { return len(r.have) == 3 })
	})
	if err := modem.Purge(); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Balance.Write([]byte("new")); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 3)
	if _, err := io.ReadFull(open, got); err != nil || string(got) != "new" {
		t.Errorf("got %q, %v", got, err)
	}
}

// TestARealServerOnALine reads and writes through a Line with pyserial behind it.
func TestARealServerOnALine(t *testing.T) {
	p := comtest.Start(t, comtest.Options{})
	c := Config{Address: p.Address}
	c.Speed = 2400
	board := newBoard()
	line := NewLine(c, "b-5", board.Board, nil)
	s := newStory()
	stop := running(t, line, s)
	s.untilCount(t, "up", 1)
	_, _ = p.Balance.Write([]byte("1.0\r\n"))
	s.untilText(t, "1.0\r\n")
	if n, err := line.Write([]byte("?\xff?")); n != 3 || err != nil {
		t.Errorf("Write: %d, %v", n, err)
	}
	got := make([]byte, 3)
	if _, err := io.ReadFull(p.Balance, got); err != nil || string(got) != "?\xff?" {
		t.Errorf("the balance got %q, %v", got, err)
	}
	quiet, known := line.Quiet()
	for limit := time.Now().Add(5 * time.Second); !quiet && time.Now().Before(limit); quiet, known = line.Quiet() {
		time.Sleep(10 * time.Millisecond) // a server on a busy computer may have sent something of its own just now
	}
	if !known || !quiet {
		t.Errorf("quiet: %v, known: %v", quiet, known)
	}
	s.mu.Lock()
	held := s.arrival.Held
	s.mu.Unlock()
	if held < 0 || held > time.Second {
		t.Errorf("the bytes were held for %v", held)
	}
	stop()
	s.alternates(t)
}

// TestReadingADeviceServerMakesNoGarbage, with notifications between the bytes.
func TestReadingADeviceServerMakesNoGarbage(t *testing.T) {
	server := newBadServer(t)
	p, far := server.opened(t, server.config())
	far.until(t, comSignature)
	time.Sleep(50 * time.Millisecond) // its answers
	text, buf := slicesOf("1\xff\xff", com(comServer+comModemState, 0x11)), make([]byte, 16)
	if allocs := testing.AllocsPerRun(200, func() {
		_, _ = far.Conn.Write(text)
		if _, err := p.Read(buf); err != nil {
			t.Fatal(err)
		}
	}); allocs != 0 {
		t.Errorf("%v allocations a read", allocs)
	}
}

// TestARealServerThatCannotDoASpeed: its device refuses the speed, and pyserial says which one it still has.
func TestARealServerThatCannotDoASpeed(t *testing.T) {
	p := comtest.Start(t, comtest.Options{Fastest: 9600})
	c := Config{Address: p.Address}
	c.Speed = 19200
	_, err := c.Open(t.Context())
	var trouble *Trouble
	if !errors.As(err, &trouble) || trouble.Code != CodeRefused || !strings.Contains(trouble.Sentence, "has set 9600 bits a second instead of 19200 bits a second.") {
		t.Fatalf("Open says %v", err)
	}
	c.Speed = 4800
	opened(t, c)
}
