package tap

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

// echo is a balance that speaks only when asked, and answers the question "Q17" with a line "17:" and a weight. It takes a
// little while, so that questions that are not arbitrated meet on the line.
func echo(r *rig) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		from := bufio.NewReader(r.cord)
		for ctx.Err() == nil {
			question, err := from.ReadString('\n')
			if err != nil {
				return
			}
			time.Sleep(time.Millisecond)
			_, _ = fmt.Fprintf(r.cord, "%s: 12.3450 g\r\n", strings.TrimSpace(strings.TrimPrefix(question, "Q")))
		}
	})
	return func() { cancel(); _ = r.cord.Pull(); wg.Wait() }
}

// asker asks as weighpost does: it takes a turn, sends, and waits for the next line.
type asker struct {
	r     *rig
	lines chan string
	part  string
}

func newAsker(r *rig) *asker {
	a := &asker{r: r, lines: make(chan string, 1000)}
	r.read.mu.Lock()
	r.read.hook = a.bytes
	r.read.mu.Unlock()
	return a
}

func (a *asker) bytes(p []byte) {
	a.part += string(p)
	for {
		line, rest, whole := strings.Cut(a.part, "\n")
		if !whole {
			return
		}
		a.part = rest
		if a.r.line.Turns().Holder() == "ask" { // who has the turn gets the answer
			a.lines <- line + "\n"
		}
	}
}

func (a *asker) ask(question string) (string, error) {
	turn, err := a.r.line.Turns().Take(context.Background(), "ask", 20*time.Second)
	if err != nil {
		return "", err
	}
	defer turn.Done()
	if _, err := a.r.line.Write([]byte(question)); err != nil {
		return "", err
	}
	select {
	case line := <-a.lines:
		return line, nil
	case <-turn.Over():
		return "", fmt.Errorf("no answer to %q", question)
	}
}

// TestTwoAskersEachGetTheirOwnAnswers: weighpost and a program ask one balance, 1,000 times each, as fast as they can.
func TestTwoAskersEachGetTheirOwnAnswers(t *testing.T) {
	r, program := tcpRig(t, func(c *Config) { c.Answer, c.Wait = strict.Duration(20*time.Second), strict.Duration(20*time.Second) })
	defer echo(r)()
	const rounds = 1000
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() {
		a := newAsker(r)
		for i := range rounds {
			got, err := a.ask(fmt.Sprintf("Q%d\r\n", 2*i))
			if want := fmt.Sprintf("%d: 12.3450 g\r\n", 2*i); err != nil || got != want {
				t.Errorf("weighpost asked %d and got %q, %v", 2*i, got, err)
				return
			}
		}
	})
	answers := bufio.NewReader(program)
	_ = program.SetReadDeadline(time.Now().Add(90 * time.Second))
	for i := range rounds {
		question := fmt.Sprintf("Q%d\r\n", 2*i+1)
		if i%3 == 0 { // in pieces, as some programs send
			_, _ = io.WriteString(program, question[:2])
			time.Sleep(time.Millisecond)
			question = question[2:]
		}
		_, _ = io.WriteString(program, question)
		got, err := answers.ReadString('\n')
		if want := fmt.Sprintf("%d: 12.3450 g\r\n", 2*i+1); err != nil || got != want {
			t.Errorf("the program asked %d and got %q, %v", 2*i+1, got, err)
			return
		}
	}
	wg.Wait()
	if s := r.tap.Status(); s.Withheld != rounds || s.Unsent != 0 {
		t.Errorf("the tap counted %+v", s)
	}
}

// TestWhatNobodyAskedForGoesToBoth, and what somebody else asked for does not, as a whole.
func TestWhatNobodyAskedForGoesToBoth(t *testing.T) {
	r, program := tcpRig(t, nil)
	r.print(t, "N 1.0 g\r\n")
	gets(t, program, "N 1.0 g\r\n")
	turn, err := r.line.Turns().Take(t.Context(), "ask", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	r.print(t, "N 2.0")
	r.until(t, "half was read", func() bool { return strings.HasSuffix(r.read.text(), "2.0") })
	turn.Done() // too early: the rest belongs to what has begun
	r.print(t, " g\r\nN 3.0 g\r\n")
	gets(t, program, "N 3.0 g\r\n")
	if s := r.tap.Status(); s.Withheld != 1 {
		t.Errorf("the tap counted %+v", s)
	}
}

// TestAQuestionWaitsAndIsThenLeftOut: the wait is bounded, what was left out is not sent later.
func TestAQuestionWaitsAndIsThenLeftOut(t *testing.T) {
	r, program := tcpRig(t, func(c *Config) { c.Wait = strict.Duration(150 * time.Millisecond) })
	turn, err := r.line.Turns().Take(t.Context(), "ask", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(program, "LATE\r\n")
	r.until(t, "it was left out", func() bool { s := r.tap.Status(); return s.Unsent == 6 && s.Why == whyTurn })
	_, _ = io.WriteString(program, "NEXT\r\n")
	time.Sleep(20 * time.Millisecond)
	turn.Done()
	r.balanceGets(t, "NEXT\r\n")
	if r.line.Turns().Holder() != Who {
		t.Error("the program asked, and has no turn")
	}
	r.print(t, "OK\r\n")
	r.until(t, "the turn is over after the answer", func() bool { return r.line.Turns().Holder() == "" })
}

// TestAQuestionWithoutAnAnswerEnds: others may ask once the stated time has passed.
func TestAQuestionWithoutAnAnswerEnds(t *testing.T) {
	r, program := tcpRig(t, func(c *Config) { c.Answer = strict.Duration(300 * time.Millisecond) })
	_, _ = io.WriteString(program, "vessel\r\n")
	r.balanceGets(t, "vessel\r\n")
	began := time.Now()
	turn, err := r.line.Turns().Take(t.Context(), "ask", time.Minute)
	if took := time.Since(began); err != nil || took < 150*time.Millisecond {
		t.Errorf("the next had the balance after %v, %v", took, err)
	}
	turn.Done()
}

// TestAnUnfinishedAnswerHoldsTheTurn until it is whole.
func TestAnUnfinishedAnswerHoldsTheTurn(t *testing.T) {
	r, program := tcpRig(t, func(c *Config) { c.Answer = strict.Duration(20 * time.Second) })
	_, _ = io.WriteString(program, "Q\r\n")
	r.balanceGets(t, "Q\r\n")
	r.print(t, "N 1.2")
	gets(t, program, "N 1.2")
	time.Sleep(2 * settled)
	if r.line.Turns().Holder() != Who {
		t.Fatal("the turn was over in the middle of the answer")
	}
	r.print(t, "3 g\r\n")
	gets(t, program, "3 g\r\n")
	r.until(t, "the turn is over", func() bool { return r.line.Turns().Holder() == "" })
}

// TestWhatIsSentWhileThePortIsGoneIsNeverSentLate: neither what came while it was gone nor what waited for a turn then.
func TestWhatIsSentWhileThePortIsGoneIsNeverSentLate(t *testing.T) {
	r, program := tcpRig(t, nil)
	turn, err := r.line.Turns().Take(t.Context(), "ask", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(program, "WAITED\r\n")
	time.Sleep(50 * time.Millisecond)
	_ = r.cord.Pull()
	r.until(t, "the question that waited is left out", func() bool { return r.tap.Status().Unsent == 8 })
	turn.Done()
	_, _ = io.WriteString(program, "GONE\r\n")
	r.until(t, "what came meanwhile is left out", func() bool { s := r.tap.Status(); return s.Unsent == 14 && s.Why == whyDown })
	if err := r.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	r.until(t, "the port is back", func() bool { ups, downs := r.read.counts(); return ups == 2 && downs == 1 })
	_, _ = io.WriteString(program, "NOW\r\n")
	r.balanceGets(t, "NOW\r\n")
	r.print(t, "N 1.0 g\r\n")
	gets(t, program, "N 1.0 g\r\n")
}

// TestListenOnly: the program hears the balance, and nothing is sent.
func TestListenOnly(t *testing.T) {
	cfg := Config{Listen: needs.FreeAddress(t)}
	r := newRig(t, cfg, func(c *port.Config) { c.ListenOnly = true })
	r.open(t)
	program := r.dial(t)
	_, _ = io.WriteString(program, "Q\r\n")
	r.until(t, "it was left out", func() bool { s := r.tap.Status(); return s.Unsent == 3 && s.Why == whyListen && s.Sent == 0 })
	r.print(t, "N 1.0 g\r\n")
	gets(t, program, "N 1.0 g\r\n")
	if who := r.line.Turns().Holder(); who != "" {
		t.Errorf("%s has the balance", who)
	}
	silentBalance(t, r)
}

// silentBalance fails if the balance was sent anything.
func silentBalance(t *testing.T, r *rig) {
	t.Helper()
	r.stop()
	p := make([]byte, 10)
	if n, _ := r.cord.Read(p); n > 0 {
		t.Errorf("the balance got %q", p[:n])
	}
}

func TestOutOfService(t *testing.T) {
	for _, c := range []struct {
		mode           string
		hears, answers bool
	}{{"", false, false}, {GoOn, true, true}, {ReceiveOnly, true, false}, {Cut, false, false}} {
		t.Run(c.mode, func(t *testing.T) {
			r, program := tcpRig(t, func(cfg *Config) { cfg.OutOfService = c.mode })
			var out atomic.Bool
			out.Store(true)
			r.tap.OutOfServiceBy(out.Load)
			r.print(t, "N 1.0 g\r\n")
			r.until(t, "it was read", func() bool { return r.read.text() == "N 1.0 g\r\n" })
			if c.hears {
				gets(t, program, "N 1.0 g\r\n")
			} else {
				getsNothing(t, program, 50*time.Millisecond)
			}
			_, _ = io.WriteString(program, "Q1\r\n")
			if c.answers {
				r.balanceGets(t, "Q1\r\n")
			} else {
				r.until(t, "it was left out", func() bool { s := r.tap.Status(); return s.Unsent == 4 && s.Why == whyService })
			}
			out.Store(false)
			_, _ = io.WriteString(program, "Q2\r\n")
			r.balanceGets(t, "Q2\r\n")
			r.print(t, "N 2.0 g\r\n")
			gets(t, program, "N 2.0 g\r\n")
		})
	}
}

// TestOneProgramAtATimeOverTCP: another is turned away, and may come once the first has gone.
func TestOneProgramAtATimeOverTCP(t *testing.T) {
	r, first := tcpRig(t, nil)
	for range 3 {
		second, err := net.Dial("tcp", r.tap.cfg.Listen)
		if err != nil {
			t.Fatal(err)
		}
		_ = second.SetReadDeadline(time.Now().Add(20 * time.Second))
		if n, err := second.Read(make([]byte, 1)); n > 0 || err == nil {
			t.Errorf("the second got %d bytes, %v", n, err)
		}
		second.Close()
	}
	if s := r.tap.Status(); s.Turned != 3 {
		t.Errorf("the tap counted %+v", s)
	}
	r.print(t, "N 1.0 g\r\n")
	gets(t, first, "N 1.0 g\r\n")
	first.Close()
	r.program(t, false)
	third := r.dial(t)
	r.print(t, "N 2.0 g\r\n")
	gets(t, third, "N 2.0 g\r\n")
}

// TestABrowserSendsTheBalanceNothing: a page on the web could otherwise tare a balance behind a tap on loopback. The judge of
// what HTTP looks like is net/http.
func TestABrowserSendsTheBalanceNothing(t *testing.T) {
	cfg := Config{Listen: needs.FreeAddress(t)}
	r := newRig(t, cfg, nil)
	r.open(t)
	client := http.Client{Timeout: 20 * time.Second}
	defer client.CloseIdleConnections()
	methods := []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
	for i, method := range methods {
		req, err := http.NewRequestWithContext(t.Context(), method, "http://"+cfg.Listen+"/"+strings.Repeat("x", 8000), strings.NewReader("vessel\r\n"))
		if err != nil {
			t.Fatal(err)
		}
		if resp, err := client.Do(req); err == nil {
			resp.Body.Close()
			t.Errorf("%s was answered", method)
		}
		r.until(t, method+" is turned away", func() bool { return r.tap.Status().Turned >= uint64(i+1) })
	}
	program := r.dial(t)
	_, _ = io.WriteString(program, "GET\r\n") // what begins alike is sent
	r.balanceGets(t, "GET\r\n")
	r.until(t, "it is counted", func() bool { s := r.tap.Status(); return s.Sent == 5 && s.Turned == uint64(len(methods)) })
}

// TestAQuestionFromBeforeTheLossIsNotSentAfterIt, though the port is back before its turn comes.
func TestAQuestionFromBeforeTheLossIsNotSentAfterIt(t *testing.T) {
	line := &pretended{}
	tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
	tap.Attach(line)
	e := &ear{tap: tap, line: line}
	e.Up()
	turn, err := line.turns.Take(t.Context(), "ask", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	asked := make(chan struct{})
	go func() { defer close(asked); tap.ask(t.Context(), []byte("Q\r\n")) }()
	for waits := false; !waits; time.Sleep(time.Millisecond) {
		tap.mu.Lock()
		waits = tap.asking.cancel != nil
		tap.mu.Unlock()
	}
	e.Down()
	e.Up()
	turn.Done()
	<-asked
	if s := tap.Status(); line.sent.Len() > 0 || s.Unsent != 3 || line.turns.Holder() != "" {
		t.Errorf("the balance got %q; %+v", line.sent.String(), s)
	}
}

// TestAnotherLineTakesOver: a changed port leaves the program where it is.
func TestAnotherLineTakesOver(t *testing.T) {
	r, program := tcpRig(t, nil)
	other := newRig(t, Config{Listen: needs.FreeAddress(t)}, nil)
	r.tap.Attach(other.line)
	_, _ = io.WriteString(program, "Q\r\n")
	other.balanceGets(t, "Q\r\n")
	other.print(t, "N 2.0 g\r\n")
	gets(t, program, "N 2.0 g\r\n")
	r.print(t, "N 1.0 g\r\n")
	r.until(t, "the first line still reads", func() bool { return r.read.text() == "N 1.0 g\r\n" })
	getsNothing(t, program, 50*time.Millisecond)
}
