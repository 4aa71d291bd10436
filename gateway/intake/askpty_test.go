//go:build linux

package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

const (
	oddTimeout = 300 * time.Millisecond
	oddLate    = 700 * time.Millisecond
)

// oddBalance is a balance on a pseudo-terminal that answers question n with the weight n, in one of many ways or not at all.
// What it sends beside that is a weight from 900000 on, or no weight.
type oddBalance struct {
	cord *pty.Cord
	dice *rand.Rand

	mu    sync.Mutex
	asked int
	ways  map[int]string // how each question was answered
	tardy map[int]bool   // after these the computer held the balance up, so that it did not keep to its times
}

// serve answers until the cord is pulled.
func (b *oddBalance) serve() {
	buf := make([]byte, 64)
	for {
		n, err := b.cord.Read(buf)
		if err != nil {
			return
		}
		for range bytes.Count(buf[:n], []byte{5}) {
			b.answer()
		}
	}
}

func (b *oddBalance) answer() {
	b.mu.Lock()
	b.asked++
	n := b.asked
	b.mu.Unlock()
	line := fmt.Sprintf("W %d.000 g S\r\n", n)
	between := func(least, most time.Duration) { time.Sleep(least + time.Duration(b.dice.Int64N(int64(most-least)))) }
	way := "at once"
	switch d := b.dice.IntN(100); {
	case d < 50:
		b.say(line)
	case d < 62:
		way = "after a while"
		between(0, oddTimeout/2)
		b.say(line)
	case d < 74:
		way = "in pieces"
		cut := 1 + b.dice.IntN(len(line)-1)
		b.say(line[:cut])
		between(0, oddTimeout/3)
		b.say(line[cut:])
	case d < 80:
		way = "twice"
		b.say(line)
		b.say(line)
	case d < 86:
		way = "with another weight behind it"
		b.say(line)
		began := time.Now()
		between(0, 10*time.Millisecond)
		b.say(fmt.Sprintf("W %d.000 g S\r\n", 900_000+n))
		if time.Since(began) > quietSerial/2 {
			b.mu.Lock()
			b.tardy[n] = true
			b.mu.Unlock()
		}
	case d < 91:
		way = "with words before it"
		b.say("busy, please wait\r\n")
		between(0, oddTimeout/3)
		b.say(line)
	case d < 94:
		way = "late"
		time.Sleep(oddTimeout)
		between(20*time.Millisecond, oddLate/2)
		b.say(line)
	case d < 96:
		way = "half in time, half late"
		b.say(line[:5])
		time.Sleep(oddTimeout)
		between(20*time.Millisecond, oddLate/2)
		b.say(line[5:])
	case d < 98:
		way = "with words alone"
		b.say("ERR 7\r\n")
	default:
		way = "not"
	}
	b.mu.Lock()
	b.ways[n] = way
	b.mu.Unlock()
}

func (b *oddBalance) say(text string) { _, _ = b.cord.Write([]byte(text)) } // pulled at the end

// Every answer goes to the question that it answers, whatever the balance does, as long as it keeps to the times that the
// configuration promises. What is right is known from the balance: it numbers its weights by the questions that it received.
func TestEachAnswerGoesToItsQuestion(t *testing.T) {
	t.Parallel()
	rounds, balances := 480, 12
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 20_000
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	var sum oddTally
	var all sync.WaitGroup
	for i := range balances {
		all.Go(func() { sum.add(oddRounds(t, rand.New(rand.NewPCG(seed, uint64(i))), rounds/balances)) })
	}
	all.Wait()
	t.Logf("%d questions: %d answered, %d of them recorded, %d not answered, 0 answers to another question wanted and %d seen",
		sum.asked, sum.answered, sum.recorded, sum.asked-sum.answered, sum.wrong)
	if sum.wrong > 0 || sum.answered < sum.asked*2/3 || sum.recorded < sum.answered/4 {
		t.Errorf("%+v", sum.counts)
	}
}

type counts struct{ asked, answered, recorded, wrong int }

type oddTally struct {
	mu sync.Mutex
	counts
}

func (s *oddTally) add(c counts) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked += c.asked
	s.answered += c.answered
	s.recorded += c.recorded
	s.wrong += c.wrong
}

// oddRounds asks one odd balance.
func oddRounds(t *testing.T, dice *rand.Rand, rounds int) (sum counts) {
	b := &oddBalance{cord: pty.NewCord(filepath.Join(t.TempDir(), "balance")), dice: dice, ways: map[int]string{}, tardy: map[int]bool{}}
	if err := b.cord.Plug(); err != nil {
		t.Error(err)
		return sum
	}
	var serving sync.WaitGroup
	serving.Go(b.serve)
	in, journal, stop := onCord(t, b.cord, func(c *Config) {
		c.Ask = &AskConfig{Send: "\x05", Timeout: strict.Duration(oddTimeout), Late: strict.Duration(oddLate)}
	})
	given := map[string]string{} // id of an entry: the digits that the answer to the request said
	for n := 1; n <= rounds; n++ {
		a, err := in.Read(context.Background(), record.ReadRequest{Record: n%2 == 0})
		var none *record.NoAnswer
		switch {
		case errors.As(err, &none):
		case err != nil:
			t.Errorf("question %d: %v", n, err)
		case a.Value.Digits != fmt.Sprintf("%d.000", n):
			b.mu.Lock()
			if b.tardy[n-1] {
				t.Logf("question %d has the answer %s, which the balance could not send in time", n, a.Value.Digits)
			} else {
				sum.wrong++
				t.Errorf("question %d has the answer %s; answered %q, the one before %q", n, a.Value.Digits, b.ways[n], b.ways[n-1])
			}
			b.mu.Unlock()
		default:
			sum.answered++
		}
		if a.Recorded != "" {
			given[a.Recorded] = a.Value.Digits
		}
		sum.asked++
	}
	stop()
	_ = b.cord.Pull()
	serving.Wait()
	if b.asked != rounds {
		t.Errorf("the balance has seen %d questions, and %d were asked", b.asked, rounds)
	}
	for i, body := range journal.bodies() {
		w, ok := body.(*record.Weighing)
		if !ok || w.Trigger != record.TriggerAsked {
			continue
		}
		sum.recorded++
		if id := journal.ids[i]; given[id] != w.Value.Digits {
			t.Errorf("entry %s holds %s, and the request was told %q", id, w.Value.Digits, given[id])
			sum.wrong++
		}
	}
	if sum.recorded != len(given) {
		t.Errorf("%d entries and %d answers that name one", sum.recorded, len(given))
	}
	return sum
}

// onCord runs a pipeline on a cord through the real port, once that is open.
func onCord(t *testing.T, cord *pty.Cord, change func(*Config)) (in *Intake, journal *memory, stop func()) {
	b := newBench(t, anchored, func(c *Config) { c.Port.Address = cord.Path(); change(c) }, nil)
	line := port.NewLine(b.cfg.Port, b.cfg.ID, b.board, nil)
	in, err := New(b.cfg, Deps{Line: line, Layout: b.layout, Recorder: b.journal, Live: b.screen, Clock: b.clock, Health: b.board, Log: b.log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	until(t, "the port up", func() bool { return in.Status().PortUp })
	return in, b.journal, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// The journal has the entry of a command before the balance sees its first byte, on a real line: the balance looks into the
// journal when it does.
func TestTheBalanceSeesACommandAfterTheJournal(t *testing.T) {
	t.Parallel()
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	in, journal, stop := onCord(t, cord, func(c *Config) { c.Commands = map[string]Command{"zero": {Send: "Z", Answer: AnswerFrame}} })
	early, seen := 0, 0
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 8)
		for {
			n, err := cord.Read(buf)
			if err != nil {
				return
			}
			entries := 0
			for _, e := range journal.bodies() {
				if c, ok := e.(*record.Command); ok && c.State == record.CommandAsked {
					entries++
				}
			}
			if seen += n; entries < seen {
				early++
			}
			_, _ = cord.Write([]byte("done\r\n"))
		}
	}()
	for range 50 {
		if a, err := in.Command(context.Background(), record.CommandRequest{Name: "zero"}); err != nil || a.State != record.CommandAnswered {
			t.Errorf("%+v, %v", a, err)
		}
	}
	stop()
	_ = cord.Pull()
	<-done
	if early != 0 || seen != 50 {
		t.Errorf("%d of %d commands came to the balance before their entry to the journal", early, seen)
	}
}

// A balance that is read without ask and commands gets not one byte, through opening, printing, a pulled cable and a reload.
func TestNothingIsEverSentUnasked(t *testing.T) {
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	in, _, stop := onCord(t, cord, func(*Config) {})
	got := make(chan int, 1)
	go func() {
		buf := make([]byte, 8)
		n, _ := cord.Read(buf)
		got <- n
	}()
	if _, err := cord.Write([]byte("W 1.000 g S\r\n")); err != nil {
		t.Error(err)
	}
	until(t, "the weighing", func() bool { return in.Status().Recorded == 1 })
	in.Configure(in.Config(), in.software)
	stop()
	_ = cord.Pull()
	if n := <-got; n != 0 {
		t.Errorf("the balance got %d bytes", n)
	}
}
