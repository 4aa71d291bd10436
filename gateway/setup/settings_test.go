package setup_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/setup"
	"weighpost/gateway/setup/setuptest"
)

// presser presses print when told to, and answers as the test says.
type presser struct {
	balance *setuptest.Balance
	press   func(try int) bool // nil: at each try
	answer  string
	asks    func(setup.Question) string // in place of answer
	told    []string
	asked   int
	tries   int
}

func (p *presser) Tell(text string) {
	p.told = append(p.told, text)
	if strings.Contains(text, "Press the print key once.") {
		p.tries++
		if p.press == nil || p.press(p.tries) {
			p.balance.Press() // the port is open already
		}
	}
}

func (p *presser) Ask(_ context.Context, q setup.Question) (string, error) {
	p.asked++
	if p.asks != nil {
		return p.asks(q), nil
	}
	if p.answer == "" {
		return "", setup.ErrNobody
	}
	return p.answer, nil
}

func weights(n int) string { return fmt.Sprintf("N %12.4f g  \r\n", float64(n*n)*37.1313+1.2) }

func line(speed, bits int, parity string, stop int) uart.Settings {
	return uart.Settings{Speed: speed, DataBits: bits, Parity: parity, StopBits: stop}
}

func TestFindSettingsWithAPersonWhoPresses(t *testing.T) {
	for _, c := range []struct {
		line  uart.Settings
		tells bool
		want  string
	}{
		{line(9600, 8, "none", 1), true, "9600 8N1"},
		{line(2400, 7, "even", 1), true, "2400 7E1"},
		{line(1200, 7, "odd", 2), false, "1200 7O1"},
		{line(300, 8, "none", 1), true, "300 8N1"},
		{line(19200, 8, "even", 1), true, "19200 8E1"},
		{line(115200, 7, "none", 2), false, "115200 7N2"},
	} {
		t.Run(c.want, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &setuptest.Balance{Line: c.line, Print: weights, Tells: c.tells}
				p := &presser{balance: b}
				s, err := setup.FindSettings(t.Context(), b.Open, "/dev/balance/b-1", setup.SettingsOptions{Person: p})
				if err != nil {
					t.Fatal(err)
				}
				first := s.Candidates[0]
				truth := setup.Setting{Speed: c.line.Speed, DataBits: c.line.DataBits, Parity: c.line.Parity, StopBits: c.line.StopBits}
				if !s.Sure || !first.Has(truth) || !strings.HasSuffix(string(first.Bytes), weights(b.Presses()-1)) {
					t.Errorf("%v: %+v\n%s", truth, s, strings.Join(p.told, "\n"))
				}
				if len(s.Unclear) == 0 || b.Presses() > 5 || p.asked > 0 || b.IsOpen() {
					t.Errorf("%v: unclear %q, %d presses, %d questions, left open: %v", truth, s.Unclear, b.Presses(), p.asked, b.IsOpen())
				}
				if first.String() != c.want {
					t.Errorf("%v: taken is %v, want %s", truth, first.Setting, c.want)
				}
				t.Logf("%v: %d presses", truth, b.Presses())
			})
		})
	}
}

// TestABalanceThatSendsAllTheTime needs nobody.
func TestABalanceThatSendsAllTheTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(4800, 7, "even", 1), Print: weights, Stream: 150 * time.Millisecond}
		s, err := setup.FindSettings(t.Context(), b.Open, "/dev/balance/b-1", setup.SettingsOptions{})
		if err != nil || !s.Sure || s.Candidates[0].String() != "4800 7E1" || b.IsOpen() {
			t.Errorf("%+v, %v", s, err)
		}
	})
}

// TestAPoll: a balance that is asked at a wrong setting is silent, and is asked at the next.
func TestAPoll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(2400, 7, "even", 1), Print: weights, Poll: "P\r\n"}
		poll, err := setup.ParsePoll(`P\r\n`)
		if err != nil {
			t.Fatal(err)
		}
		s, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{Poll: poll, Listen: 20 * time.Millisecond})
		if err != nil || !s.Sure || s.Candidates[0].String() != "2400 7E1" {
			t.Errorf("%+v, %v", s, err)
		}
	})
}

// TestASearchSendsNothingUnasked: without a poll nothing is ever written.
func TestASearchSendsNothingUnasked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(9600, 8, "none", 1), Print: weights}
		wrote := false
		open := func(ctx context.Context, c port.Config) (port.Port, error) {
			p, err := b.Open(ctx, c)
			return writes{p, &wrote}, err
		}
		s, err := setup.FindSettings(t.Context(), open, "COM3", setup.SettingsOptions{Listen: 20 * time.Millisecond, Walk: quick})
		if err != nil || !s.Silent || s.Sure || s.Advice == "" || len(s.Candidates) != 0 || s.Silence == nil || s.Silence.Sentence == "" || wrote {
			t.Errorf("%+v, %v, wrote: %v", s, err, wrote)
		}
	})
}

// TestAGlitchIsNoPrint: what an adapter makes of being opened is thrown away.
func TestAGlitchIsNoPrint(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(9600, 8, "none", 1), Print: weights}
		open := func(ctx context.Context, c port.Config) (port.Port, error) {
			p, err := b.Open(ctx, c)
			b.Glitch()
			return p, err
		}
		s, err := setup.FindSettings(t.Context(), open, "COM3", setup.SettingsOptions{Person: &presser{balance: b}})
		if err != nil || !s.Sure || len(s.Heard) != 1 || string(s.Heard[0].Bytes) != weights(0) {
			t.Errorf("%+v, %v", s, err)
		}
	})
}

// quick is a walk through silence that does not wait.
var quick = setup.SilenceOptions{Listen: 10 * time.Millisecond}

type writes struct {
	port.Port
	wrote *bool
}

func (w writes) Write(p []byte) (int, error) {
	*w.wrote = true
	return w.Port.Write(p)
}

func TestNobodyPressed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(9600, 8, "none", 1), Print: weights}
		p := &presser{balance: b, press: func(try int) bool { return try == 2 }, answer: "again"}
		s, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{Person: p, Listen: 50 * time.Millisecond})
		if err != nil || !s.Sure || p.asked != 1 || len(s.Heard) != 2 {
			t.Errorf("%+v, %v, asked %d times", s, err, p.asked)
		}
		p = &presser{balance: b, press: func(int) bool { return false }, answer: "stop"}
		s, err = setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{Person: p, Listen: 50 * time.Millisecond, Walk: quick})
		if err != nil || !s.Silent || p.asked != 1 || s.Silence != nil {
			t.Errorf("%+v, %v, asked %d times", s, err, p.asked)
		}
	})
}

// TestTheCauseOfASilenceIsFound, and then the settings, also by a person who looks for longer than a search may take.
func TestTheCauseOfASilenceIsFound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(9600, 8, "none", 1), Print: weights}
		const limit = 1500 * time.Millisecond
		plugged := false
		p := &presser{balance: b, press: func(int) bool { return plugged }, answer: "next"}
		p.asks = func(q setup.Question) string {
			if q.Key == "print-key" { // now somebody looks
				time.Sleep(limit)
				plugged = true
				b.Press()
				return "done"
			}
			return "next"
		}
		s, err := setup.FindSettings(t.Context(), b.Open, "/dev/balance/b-1",
			setup.SettingsOptions{Person: p, For: limit, Listen: 30 * time.Millisecond, Walk: setup.SilenceOptions{Listen: 200 * time.Millisecond}})
		if err != nil || !s.Sure || s.Silent || s.Silence == nil || !s.Silence.Heard || b.IsOpen() {
			t.Errorf("%+v, %v\n%s", s, err, strings.Join(p.told, "\n"))
		}
	})
}

// TestADeviceServer has its line set elsewhere: what it hears tells what to set there.
func TestADeviceServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at := line(9600, 8, "none", 1)
		for _, c := range []struct {
			line uart.Settings
			want string
		}{
			{line(9600, 7, "even", 1), "set it to 9600 7E1 there"}, {line(9600, 8, "none", 1), "it is set right"},
		} {
			b := &setuptest.Balance{Line: c.line, Print: weights, Server: &at}
			open := func(ctx context.Context, c port.Config) (port.Port, error) {
				if c != (port.Config{Address: "tcp://192.0.2.7:4001"}) {
					t.Errorf("opened with %+v", c)
				}
				return b.Open(ctx, c)
			}
			p := &presser{balance: b}
			s, err := setup.FindSettings(t.Context(), open, "tcp://192.0.2.7:4001", setup.SettingsOptions{Person: p})
			if err != nil || !s.Elsewhere || !strings.Contains(s.Advice, c.want) {
				t.Errorf("%v: %+v, %v", c.line, s, err)
			}
		}
		b := &setuptest.Balance{Line: line(2400, 7, "even", 1), Print: weights, Server: &at}
		s, err := setup.FindSettings(t.Context(), b.Open, "tcp://192.0.2.7:4001", setup.SettingsOptions{Person: &presser{balance: b}})
		if err != nil || s.Sure || s.Candidates[0].Speed != 2400 || !strings.Contains(s.Advice, "device server") {
			t.Errorf("a wrong speed: %+v, %v", s, err)
		}
	})
}

func TestAPortThatRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		refused := &port.Trouble{Code: port.CodeRefused, Sentence: "It cannot be set so.", Remedy: "Set it otherwise."}
		b := &setuptest.Balance{Line: line(19200, 8, "none", 1), Print: weights, Refuse: func(c port.Config) error {
			if c.Speed == 115200 {
				return refused
			}
			return nil
		}}
		s, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{Person: &presser{balance: b}})
		if err != nil || !s.Sure || s.Candidates[0].Speed != 19200 {
			t.Errorf("%+v, %v", s, err)
		}
		b.Refuse = func(port.Config) error {
			return &port.Trouble{Code: port.CodeBusy, Sentence: "Another program has it.", Remedy: "End it."}
		}
		if _, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{}); err == nil || !strings.Contains(err.Error(), "Another program") {
			t.Errorf("%v", err)
		}
		b.Refuse = func(port.Config) error { return refused }
		if _, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{}); !errors.As(err, new(*port.Trouble)) {
			t.Errorf("refused altogether: %v", err)
		}
	})
}

func TestASearchEndsWhenToldTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &setuptest.Balance{Line: line(9600, 8, "none", 1), Print: weights}
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(30*time.Millisecond, cancel)
		if _, err := setup.FindSettings(ctx, b.Open, "COM3", setup.SettingsOptions{}); !errors.Is(err, context.Canceled) || b.IsOpen() {
			t.Errorf("%v", err)
		}
		s, err := setup.FindSettings(t.Context(), b.Open, "COM3", setup.SettingsOptions{For: 30 * time.Millisecond, Walk: quick})
		if err != nil || !s.Silent {
			t.Errorf("the limit: %+v, %v", s, err)
		}
	})
}

func TestParsePoll(t *testing.T) {
	for text, want := range map[string]string{`P\r\n`: "P\r\n", `\x05`: "\x05", `say "p"`: `say "p"`, `\\`: `\`, `\xE9`: "\xe9"} {
		if got, err := setup.ParsePoll(text); err != nil || string(got) != want {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
	for _, bad := range []string{"", `\q`, `\`, "é", "a\nb", strings.Repeat("x", 65)} {
		if got, err := setup.ParsePoll(bad); err == nil {
			t.Errorf("%q was taken as %q", bad, got)
		}
	}
}
