package port

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/parsers/strict"
)

func TestAPortIsSetAndThenRead(t *testing.T) {
	for _, apart := range []bool{false, true} {
		server := newBadServer(t)
		server.apart = apart
		c := server.config()
		c.Speed, c.DataBits, c.Parity, c.StopBits, c.Flow = 65280, 7, ParityEven, 2, FlowXONXOFF // a speed with an IAC in it
		p, far := server.opened(t, c)
		for _, command := range [][]byte{{comSpeed, 0, 0, 0xff, 0}, {comDataBits, 7}, {comParity, 3}, {comStopBits, 2}, {comControl, controlFlowXON},
			{comLineMask, 30}, {comModemMask, 255}, {comControl, controlDTROn}, {comControl, controlRTSOn}, {comSignature},
			{telnetWILL, optionComPort}, {telnetWILL, optionBinary}, {telnetDO, optionBinary}} {
			far.until(t, command...)
		}
		every := make([]byte, 512)
		for i := range every {
			every[i] = byte(i / 2) // each IAC twice
		}
		go far.say(appendTelnet(nil, every))
		got := make([]byte, 512)
		if _, err := io.ReadFull(p, got); err != nil || !bytes.Equal(got, every) {
			t.Fatalf("%v, %x", err, got)
		}
		if n, err := p.Write(every); n != 512 || err != nil {
			t.Fatalf("Write: %d, %v", n, err)
		}
		if taken := far.taken(t, 512); taken != string(every) {
			t.Errorf("the balance got %x", taken)
		}
		p.mu.Lock()
		signature, mask := p.state.signature, p.state.lineMask
		p.mu.Unlock()
		if signature != "a server of tests" || mask != 30 {
			t.Errorf("the signature is %q, the mask %d", signature, mask)
		}
	}
}

func TestAServerThatIsNoneOfRFC2217(t *testing.T) {
	refuses := func(options ...byte) func(*served, byte, byte) ([]byte, bool) {
		return func(_ *served, verb, option byte) ([]byte, bool) {
			no := map[byte]byte{telnetDO: telnetWONT, telnetWILL: telnetDONT}[verb]
			return []byte{telnetIAC, no, option}, bytes.IndexByte(options, option) >= 0 && no != 0
		}
	}
	silent := func(*served, byte, byte) ([]byte, bool) { return nil, true }
	for _, c := range []struct {
		name      string
		negotiate func(*served, byte, byte) ([]byte, bool)
		instead   func(*served, byte, []byte) ([]byte, bool)
		sentence  string
	}{
		{"refuses the option", refuses(optionComPort), nil, "cannot set the serial line of the device server at rfc2217://127.0.0.1:N: it refuses the Telnet option of RFC 2217"},
		{"refuses binary", refuses(optionBinary), nil, "it refuses Telnet's binary transmission"},
		{"refuses to go ahead only", refuses(optionGoAhead), nil, ""},
		{"answers nothing", silent, nil, "it does not answer to Telnet and RFC 2217 within 300ms"},
		{"is a raw server that prints", func(s *served, _, _ byte) ([]byte, bool) { return []byte("12.3450 g\r\n"), true }, nil, "it does not answer to Telnet"},
		{"repeats what it is told", func(s *served, verb, option byte) ([]byte, bool) { return []byte{telnetIAC, verb, option}, true },
			func(_ *served, command byte, value []byte) ([]byte, bool) {
				return com(append([]byte{command}, value...)...), true
			},
			"has not confirmed the speed, the data bits, the parity, the stop bits, the flow control within 300ms"},
		{"offers the port instead of agreeing", func(_ *served, verb, option byte) ([]byte, bool) {
			return []byte{telnetIAC, telnetWILL, option}, option == optionComPort && verb == telnetWILL
		}, nil, ""},
		{"does not know the parity", nil, func(_ *served, command byte, _ []byte) ([]byte, bool) { return nil, command == comParity },
			"has not confirmed the parity within 300ms"},
		{"has another speed", nil, func(_ *served, command byte, _ []byte) ([]byte, bool) {
			return com(comServer+comSpeed, 0, 0, 4, 0xb0), command == comSpeed
		}, "has set 1200 bits a second instead of 9600 bits a second"},
		{"has another parity and size", nil, func(_ *served, command byte, _ []byte) ([]byte, bool) {
			return com(comServer+command, 1), command == comParity || command == comDataBits
		}, "has set 1 data bits instead of 7 data bits, parity none instead of parity even"},
		{"has another flow control", nil, func(_ *served, command byte, _ []byte) ([]byte, bool) {
			return com(comServer+comControl, controlFlowRTS), command == comControl
		}, "has set flow control rts-cts instead of flow control none"},
		{"says first what it had", nil, func(s *served, command byte, value []byte) ([]byte, bool) {
			if command == comControl && value[0] == controlFlowNone {
				s.say(com(comServer+comControl, controlFlowRTS))
				time.Sleep(100 * time.Millisecond)
			}
			return nil, false
		}, ""},
		{"does not end a sub-negotiation", nil, func(_ *served, command byte, _ []byte) ([]byte, bool) {
			return append([]byte{telnetIAC, telnetSB, optionComPort}, make([]byte, 1<<20)...), command == comSpeed
		}, "cannot set the serial line of the device server at rfc2217://127.0.0.1:N: its Telnet is broken: a sub-negotiation does not end within 4096 bytes"},
		{"negotiates without end", func(_ *served, verb, option byte) ([]byte, bool) {
			return bytes.Repeat([]byte{telnetIAC, telnetWILL, 1, telnetIAC, telnetWONT, 1}, 100_000), true
		}, nil, "its Telnet negotiates without end"},
		{"closes", func(s *served, _, _ byte) ([]byte, bool) { s.Close(); return nil, true }, nil, "does not answer"},
		{"closes after the options", nil, func(s *served, _ byte, _ []byte) ([]byte, bool) { s.Close(); return nil, true }, "does not answer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			server := newBadServer(t)
			server.negotiate, server.instead = c.negotiate, c.instead
			cfg := server.config()
			cfg.DataBits, cfg.Parity, cfg.DialTimeout = 7, ParityEven, strict.Duration(300*time.Millisecond)
			if c.sentence == "" {
				server.opened(t, cfg)
				return
			}
			trouble := server.refused(t, cfg)
			sentence := strings.ReplaceAll(c.sentence, "127.0.0.1:N", server.Addr().String())
			if !strings.Contains(trouble.Sentence, sentence) {
				t.Errorf("the sentence is %q", trouble.Sentence)
			}
			if trouble.Code == CodeRefused && strings.Contains(trouble.Sentence, "cannot set") && !strings.Contains(trouble.Remedy, "use tcp://"+server.Addr().String()) {
				t.Errorf("the remedy is %q", trouble.Remedy)
			}
			if (trouble.Code == CodeMissing) != (c.sentence == "does not answer") {
				t.Errorf("the code is %s", trouble.Code)
			}
		})
	}
}

// TestWhatComesBeforeTheSettingsIsNoBalance: a banner, and bytes that the server received with whatever was set before.
func TestWhatComesBeforeTheSettingsIsNoBalance(t *testing.T) {
	server := newBadServer(t)
	server.negotiate = func(s *served, verb, option byte) ([]byte, bool) {
		s.say([]byte("Welcome. 12.3450 g\r\n"))
		return nil, false
	}
	server.instead = func(s *served, command byte, _ []byte) ([]byte, bool) {
		if command == comControl {
			s.say([]byte("99.9999 g\r\n"))
		}
		return nil, false
	}
	p, far := server.opened(t, server.config())
	far.until(t, comSignature)
	far.say([]byte("1.0000 g\r\n"))
	var got []byte
	for buf := make([]byte, 64); !bytes.HasSuffix(got, []byte("1.0000 g\r\n")); {
		_ = p.SetReadDeadline(time.Now().Add(10 * time.Second))
		n, err := p.Read(buf)
		if got = append(got, buf[:n]...); err != nil {
			t.Fatalf("%q, %v", got, err)
		}
	}
	// What comes before the flow control is confirmed does not count; what comes before DTR and RTS are is the balance's.
	if string(got) != "99.9999 g\r\n99.9999 g\r\n1.0000 g\r\n" {
		t.Errorf("read %q", got)
	}
}

func TestAServerThatTakesItsTime(t *testing.T) {
	server := newBadServer(t)
	server.negotiate = func(*served, byte, byte) ([]byte, bool) { time.Sleep(30 * time.Millisecond); return nil, false }
	server.instead = func(*served, byte, []byte) ([]byte, bool) { time.Sleep(30 * time.Millisecond); return nil, false }
	begin := time.Now()
	server.opened(t, server.config())
	if took := time.Since(begin); took < 200*time.Millisecond {
		t.Errorf("opened after %v, before the answers", took)
	}
	server = newBadServer(t)
	server.instead = func(*served, byte, []byte) ([]byte, bool) { time.Sleep(400 * time.Millisecond); return nil, false }
	c := server.config()
	c.DialTimeout = strict.Duration(200 * time.Millisecond)
	if trouble := server.refused(t, c); !strings.Contains(trouble.Sentence, "has not confirmed") || !strings.Contains(trouble.Remedy, "dial_timeout") {
		t.Errorf("%v", trouble)
	}
}

// TestGarbageOpensNoPort: whatever a server sends instead of answers, there is a sentence and an end.
func TestGarbageOpensNoPort(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	for i := range uint64(20) {
		random := rand.New(rand.NewPCG(seed, i))
		server := newBadServer(t)
		server.negotiate = func(*served, byte, byte) ([]byte, bool) {
			p := make([]byte, 5000)
			for i := range p {
				if p[i] = byte(random.Uint32()); random.IntN(3) == 0 {
					p[i] = []byte{telnetIAC, telnetSB, telnetSE, telnetDO, telnetWILL, optionComPort}[random.IntN(6)]
				}
			}
			return p, true
		}
		c := server.config()
		c.DialTimeout = strict.Duration(200 * time.Millisecond)
		server.refused(t, c)
	}
}

func TestTheStopEndsTheOpening(t *testing.T) {
	server := newBadServer(t)
	server.negotiate = func(*served, byte, byte) ([]byte, bool) { return nil, true }
	c := server.config()
	c.DialTimeout = strict.Duration(time.Minute)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { server.next(t).until(t, telnetWILL, optionComPort); cancel() }()
	within(t, 10*time.Second, "the opening", func() {
		if _, err := c.Open(ctx); err == nil {
			t.Error("it was opened")
		}
	})
}

// TestWhatNoLongerHoldsEndsTheConnection, so that no byte that was read with other settings counts.
func TestWhatNoLongerHoldsEndsTheConnection(t *testing.T) {
	for _, c := range []struct {
		name, why string
		said      []byte
	}{
		{"another speed", "it now has 1200 bits a second instead of 9600 bits a second: somebody has set it", com(comServer+comSpeed, 0, 0, 4, 0xb0)},
		{"another parity", "it now has parity odd", com(comServer+comParity, 2)},
		{"no option any more", "no longer lets us set", []byte{telnetIAC, telnetDONT, optionComPort}},
		{"no binary any more", "no longer passes bytes unchanged", []byte{telnetIAC, telnetWONT, optionBinary}},
		{"no end", "does not end within", append([]byte{telnetIAC, telnetSB}, make([]byte, 1<<20)...)},
		{"the settings again", "", com(comServer+comSpeed, 0, 0, 0x25, 0x80)},
		{"another flow control", "", com(comServer+comControl, controlFlowRTS)}, // see stillSo
	} {
		t.Run(c.name, func(t *testing.T) {
			server := newBadServer(t)
			p, far := server.opened(t, server.config())
			go far.say(append(bytes.Clone(c.said), "12.3450 g\r\n"...))
			got, err := make([]byte, 64), error(nil)
			n := 0
			within(t, 10*time.Second, "reading", func() { n, err = p.Read(got) })
			if c.why == "" {
				if string(got[:n]) != "12.3450 g\r\n"[:n] || n == 0 || err != nil {
					t.Errorf("read %q, %v", got[:n], err)
				}
				return
			}
			if n != 0 || err == nil || !strings.Contains(err.Error(), c.why) {
				t.Errorf("read %q, %v", got[:n], err)
			}
			if trouble := lost(p.cfg, err); trouble.Code != CodeLost || !strings.Contains(trouble.Error(), c.why) {
				t.Errorf("the trouble is %v", trouble)
			}
		})
	}
}

// TestAPieceThatSaysSoIsDamaged: everything that comes with the report of an error, and what follows within the latency.
func TestAPieceThatSaysSoIsDamaged(t *testing.T) {
	server := newBadServer(t)
	c := server.config()
	c.Latency = strict.Duration(300 * time.Millisecond)
	p, far := server.opened(t, c)
	read := func() (string, []int, []int, bool, error) {
		t.Helper()
		_ = p.SetReadDeadline(time.Now().Add(10 * time.Second))
		buf := make([]byte, 64)
		n, err := p.Read(buf)
		damaged, breaks := p.Marks()
		return string(buf[:n]), damaged, breaks, p.Vague(), err
	}
	expect := func(what, text string, damaged, breaks int, vague bool, wantErr error) {
		t.Helper()
		got, d, b, v, err := read()
		if got != text || len(d) != damaged || len(b) != breaks || v != vague || !errors.Is(err, wantErr) || wantErr == nil && err != nil {
			t.Errorf("%s: %q, damaged %v, breaks %v, vague %v, %v", what, got, d, b, v, err)
		}
	}
	far.say([]byte("1.0\r\n"))
	expect("before", "1.0\r\n", 0, 0, false, nil)
	far.say(slicesOf("2.", com(comServer+comLineState, lineParity), "0\r\n"))
	expect("in the middle", "\x00\x00\x00\x00\x00", 5, 0, true, nil)
	far.say([]byte("3.0\r\n"))
	expect("soon after", "\x00\x00\x00\x00\x00", 5, 0, false, nil)
	time.Sleep(350 * time.Millisecond)
	far.say([]byte("4.0\r\n"))
	expect("later", "4.0\r\n", 0, 0, false, nil)
	far.say(com(comServer+comLineState, lineOverrun))
	expect("without a byte", "", 0, 0, true, ErrDamage)
	far.say([]byte("5.0\r\n"))
	expect("after that", "\x00\x00\x00\x00\x00", 5, 0, false, nil)
	far.say(com(comServer+comLineState, lineBreak|lineFraming))
	expect("a break", "", 0, 1, true, ErrBreak)
	time.Sleep(350 * time.Millisecond)
	far.say(slicesOf("6.", []byte{telnetIAC, telnetBRK}, "0"))
	expect("a break in between", "\x00\x00\x00", 3, 1, true, nil)
	time.Sleep(350 * time.Millisecond)
	far.say(slicesOf(com(comServer+comLineState, 0x60|1), "7.0\r\n")) // nothing wrong: empty registers, data ready
	expect("no error", "7.0\r\n", 0, 0, false, nil)
	if n, err := p.Read(nil); n != 0 || err == nil {
		t.Errorf("a read without room: %d, %v", n, err)
	}
}

func slicesOf(parts ...any) (p []byte) {
	for _, part := range parts {
		switch part := part.(type) {
		case string:
			p = append(p, part...)
		case []byte:
			p = append(p, part...)
		}
	}
	return p
}

// handlers that are told of breaks and of damage.
type marksStory struct {
	*story
	breaks, damage int
}

func (s *marksStory) Breaks(n int, at time.Time) { s.tell("break", at, func() { s.breaks += n }) }
func (s *marksStory) Damage(at time.Time)        { s.tell("damage", at, func() { s.damage++ }) }

func TestALineTellsOfDamageWithoutAByte(t *testing.T) {
	server := newBadServer(t)
	far := make(chan *served, 1)
	go func() { far <- server.next(t) }()
	s := &marksStory{story: newStory()}
	stop := running(t, NewLine(server.config(), "b-5", newBoard().Board, nil), s)
	conn := <-far
	s.untilCount(t, "up", 1)
	conn.say(com(comServer+comLineState, lineFraming))
	s.untilCount(t, "damage", 1)
	s.until(t, "no break", func(s *story) bool { return s.count("break") == 0 }) // a framing error is none
	conn.say(com(comServer+comLineState, lineBreak))
	s.untilCount(t, "break", 1)
	s.untilCount(t, "damage", 2)
	conn.say([]byte("x"))
	s.untilText(t, "\x00")
	conn.say(slicesOf(com(comServer+comLineState, lineOverrun), "y"))
	s.until(t, "a report with a byte", func(s *story) bool { return s.arrival.Vague && s.text.Len() == 2 })
	stop()
	s.alternates(t)
}

func TestAServerThatAsksUsToWait(t *testing.T) {
	server := newBadServer(t)
	c := server.config()
	c.WriteTimeout = strict.Duration(150 * time.Millisecond)
	p, far := server.opened(t, c)
	far.say(slicesOf(com(comServer+comSuspend), "a"))
	if got := make([]byte, 1); true {
		if n, err := p.Read(got); n != 1 || err != nil || got[0] != 'a' {
			t.Fatalf("%q, %v", got, err)
		}
	}
	if n, err := p.Write([]byte("?")); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("Write: %d, %v", n, err)
	}
	go func() { time.Sleep(50 * time.Millisecond); far.say(slicesOf(com(comServer+comResume), "b")) }()
	if n, err := p.Write([]byte("!")); n != 1 || err != nil { // reads the word to go on by itself
		t.Fatalf("Write: %d, %v", n, err)
	}
	if got := make([]byte, 1); true {
		if n, err := p.Read(got); n != 1 || err != nil || got[0] != 'b' {
			t.Errorf("%q, %v", got, err)
		}
	}
	if got := far.taken(t, 1); got != "!" {
		t.Errorf("the balance got %q", got)
	}
}

// TestAFloodOfNotificationsKeepsNothing: a million of them between bytes that come through.
func TestAFloodOfNotificationsKeepsNothing(t *testing.T) {
	server := newBadServer(t)
	p, far := server.opened(t, server.config())
	go func() {
		many := bytes.Repeat(com(comServer+comModemState, 0x11), 1000)
		for range 60 {
			far.say(many)
			far.say([]byte("x"))
		}
	}()
	got := 0
	within(t, 60*time.Second, "reading", func() {
		for buf := make([]byte, 100); got < 60; {
			n, err := p.Read(buf)
			if got += n; err != nil {
				t.Errorf("%v", err)
				return
			}
		}
	})
	go func() {
		many := bytes.Repeat(com(comServer+comLineState, lineBreak), 1000)
		for range 20 {
			far.say(many)
		}
	}()
	within(t, 60*time.Second, "nobody reading", func() { _ = p.await(time.Now().Add(time.Second), func() bool { return false }) })
	if p.mu.Lock(); len(p.found.breaks) > mostBreaks || len(p.have) > 0 {
		t.Errorf("%d breaks and %d bytes are kept", len(p.found.breaks), len(p.have))
	}
	p.mu.Unlock()
}

func TestNobodyReadsAndNothingIsKeptWithoutEnd(t *testing.T) {
	server := newBadServer(t)
	p, far := server.opened(t, server.config())
	sent := make([]byte, 8<<20)
	_, _ = rand.NewChaCha8([32]byte{3}).Read(sent)
	go func() { _, _ = far.Write(appendTelnet(nil, sent)) }()
	if err := p.await(time.Now().Add(20*time.Second), func() bool { return len(p.have) > mostHave }); err != nil {
		t.Fatal(err)
	}
	_ = p.await(time.Now().Add(200*time.Millisecond), func() bool { return false })
	p.mu.Lock()
	if len(p.have) > mostHave+len(p.buf) {
		t.Errorf("%d bytes are kept", len(p.have))
	}
	p.mu.Unlock()
	got := make([]byte, len(sent))
	within(t, 30*time.Second, "reading what waited", func() {
		if _, err := io.ReadFull(p, got); err != nil || !bytes.Equal(got, sent) {
			t.Errorf("what waited did not come unchanged: %v", err)
		}
	})
}

func TestAServerWithoutModemLines(t *testing.T) {
	server := newBadServer(t)
	server.instead = func(_ *served, command byte, value []byte) ([]byte, bool) {
		asked := command == comModemState || command == comPurge || command == comControl && (value[0] == controlDTROff || value[0] == controlRTSOff)
		if command == comControl && value[0] == controlRTSOff {
			return com(comServer+comControl, controlRTSOn), true
		}
		return nil, asked
	}
	c := server.config()
	c.DialTimeout = strict.Duration(300 * time.Millisecond)
	p, _ := server.opened(t, c)
	if _, err := p.Lines(); !errors.Is(err, ErrNoModem) {
		t.Errorf("Lines says %v", err)
	}
	for what, err := range map[string]error{"has not said within 300ms whether it switched DTR": p.SetDTR(false),
		"did not switch RTS as asked": p.SetRTS(false), "has not said within 300ms whether it threw away": p.Purge()} {
		if err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%q: %v", what, err)
		}
	}
	if err := p.SetDTR(true); err != nil {
		t.Error(err)
	}
	flow := server.config()
	flow.Flow = FlowRTSCTS
	q, _ := server.opened(t, flow)
	if err := q.SetRTS(true); !errors.Is(err, ErrRTSTaken) {
		t.Errorf("SetRTS says %v", err)
	}
}

func TestARFC2217PortKeepsThePromisesOfAPort(t *testing.T) {
	server := newBadServer(t)
	c := server.config()
	c.WriteTimeout = strict.Duration(150 * time.Millisecond)
	p, far := server.opened(t, c)
	begin := time.Now()
	_ = p.SetReadDeadline(begin.Add(50 * time.Millisecond))
	if n, err := p.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(begin) < 49*time.Millisecond {
		t.Fatalf("a read that nothing comes to: %d, %v, %v", n, err, time.Since(begin))
	}
	_ = p.SetReadDeadline(time.Time{})
	ended := make(chan error, 1)
	go func() { _, err := p.Read(make([]byte, 8)); ended <- err }()
	time.Sleep(20 * time.Millisecond)
	_ = p.SetReadDeadline(time.Now()) // a pending read
	if err := <-ended; !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("the read ended with %v", err)
	}
	_ = p.SetReadDeadline(time.Time{})

	far.mu.Lock() // it takes nothing any more
	unlock := sync.OnceFunc(far.mu.Unlock)
	defer unlock()
	within(t, 10*time.Second, "a write that nobody takes", func() {
		if _, err := p.Write(bytes.Repeat([]byte{telnetIAC}, 32<<20)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Write says %v", err)
		}
	})
	unlock()
	far.say([]byte("x"))
	if n, err := p.Read(make([]byte, 8)); n != 1 || err != nil {
		t.Errorf("reading does not go on: %d, %v", n, err)
	}

	go func() { _, err := p.Read(make([]byte, 8)); ended <- err }()
	within(t, 5*time.Second, "Close with a pending read", func() {
		p.Close()
		if err := <-ended; !errors.Is(err, os.ErrClosed) {
			t.Errorf("the read ended with %v", err)
		}
	})
	if err := p.Close(); err != nil {
		t.Errorf("the second Close says %v", err)
	}
	for what, err := range map[string]error{"SetReadDeadline": p.SetReadDeadline(time.Now()), "SetDTR": p.SetDTR(true), "Purge": p.Purge()} {
		if !errors.Is(err, os.ErrClosed) {
			t.Errorf("%s after Close says %v", what, err)
		}
	}
	if _, err := p.Write([]byte("x")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Write after Close says %v", err)
	}
}

// TestNoCommandIsLeftHalfSent: what must follow so that the server can go on reading.
func TestNoCommandIsLeftHalfSent(t *testing.T) {
	for _, c := range []struct {
		sent string
		n    int
		rest string
	}{
		{"abc", 1, ""}, {"a\xff\xffb", 2, "\xff"}, {"a\xff\xffb", 3, ""}, {"\xff\xff\xff\xff", 1, "\xff"}, {"\xff\xff\xff\xff", 2, ""}, {"\xff\xff\xff\xff", 3, "\xff"},
		{"\xff\xfa\x2c\x05\x08\xff\xf0", 3, "\x05\x08\xff\xf0"}, {"\xff\xfb\x2c\xff\xfd\x00", 1, "\xfb\x2c\xff\xfd\x00"},
	} {
		if got := unfinished([]byte(c.sent), c.n); string(got) != c.rest {
			t.Errorf("after %d of %x: %x, want %x", c.n, c.sent, got, c.rest)
		}
	}
}

// FuzzDeviceServer has a server say anything to an open port: no panic, nothing kept without bound, and marks that are in
// order and within the data.
func FuzzDeviceServer(f *testing.F) {
	f.Add([]byte("12.3\xff\xfa\x2c\x6a\x08\xff\xf0450 g\r\n\xff\xf3\xff\xfb\x01\xff\xfa\x2c\x64\xff\xf0"), uint8(7))
	f.Add(append(com(comServer+comSpeed, 0, 0, 4, 0xb0), 'x'), uint8(3))
	f.Fuzz(func(t *testing.T, said []byte, piece uint8) {
		r := &rfc2217{cfg: Config{Address: "rfc2217://h:1"}.withDefaults(), changed: make(chan struct{}), state: newComState(), settled: true,
			window: damageWindow{latency: time.Second}}
		r.want = r.cfg.comValues()
		r.state.values = r.want
		for _, o := range []byte{optionBinary, optionComPort} {
			r.options.ours[o], r.options.theirs[o] = optionOn, optionOn
		}
		now := time.Unix(0, 0)
		for len(said) > 0 {
			n := min(int(piece)+1, len(said))
			if _, err := r.sort(bytes.Clone(said[:n]), now); err != nil {
				break
			}
			said, now = said[n:], now.Add(400*time.Millisecond)
			if len(r.have) > 100 {
				read(t, r, int(piece))
			}
		}
		for read(t, r, 64) {
		}
		if r.batch.replies > mostReplies+256 || len(r.state.signature) > mostKept {
			t.Fatalf("%d replies, %d bytes of signature", r.batch.replies, len(r.state.signature))
		}
	})
}

func read(t *testing.T, r *rfc2217, n int) bool {
	p := make([]byte, n+1)
	n, err := r.taken(p)
	damaged, breaks := r.Marks()
	last := -1
	for _, at := range damaged {
		if at <= last || at >= n || p[at] != 0 {
			t.Fatalf("damaged %v in %q", damaged, p[:n])
		}
		last = at
	}
	last = 0
	for _, at := range breaks {
		if at < last || at > n {
			t.Fatalf("breaks %v in %q", breaks, p[:n])
		}
		last = at
	}
	if (err != nil) != (n == 0 && (len(breaks) > 0 || r.Vague())) {
		t.Fatalf("%d bytes, %v", n, err)
	}
	return n > 0
}
