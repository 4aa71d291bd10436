package intake

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// acts gives the entries of commands in short.
func acts(b *bench) (out []string) {
	for _, e := range b.journal.bodies() {
		if c, ok := e.(*record.Command); ok {
			out = append(out, strings.TrimSpace(c.Name+" "+c.State+" "+string(c.Answer)))
		}
	}
	return out
}

func withCommands(c *Config) {
	c.Ask = nil
	c.Commands = map[string]Command{
		"tare":  {Send: "vessel\r\n", About: "Tare", Caution: "Only with an empty vessel.", Answer: AnswerFrame},
		"zero":  {Send: "clear\r\n"},
		"print": {Send: "P\r\n", Answer: AnswerFrame, Timeout: strict.Duration(200 * time.Millisecond)},
	}
}

func TestACommandIsInTheJournalBeforeItGoesOut(t *testing.T) {
	var b *bench
	early := 0
	w := &twoWay{take: func(w *twoWay, sent string) {
		if len(acts(b)) == 0 {
			early++
		}
		w.say("OK\r\n")
	}}
	polled(t, withCommands, w, func(bb *bench) {
		b = bb
		a, err := b.Command(context.Background(), record.CommandRequest{Name: "tare", Where: "http 127.0.0.1"})
		if err != nil || a.State != "answered" || a.Text != `"OK\r\n"` || a.Caution == "" || a.Entry != "site/inc/b-12/000002" {
			t.Errorf("%+v, %v", a, err)
		}
		time.Sleep(time.Second)
		if got := strings.Join(acts(b), ", "); got != "tare asked, tare answered OK" || early != 0 {
			t.Errorf("%s; %d went out before", got, early)
		}
		first, second := b.journal.bodies()[1].(*record.Command), b.journal.bodies()[2].(*record.Command)
		if first.Where != "http 127.0.0.1" || string(first.Send) != "vessel\r\n" || first.Asked != "" || second.Asked != a.Entry {
			t.Errorf("%+v, then %+v", first, second)
		}
		if n := len(b.journal.bodies()); n != 3 || b.Status().Unread != 0 || b.misread != 0 {
			t.Errorf("%d entries: words that answer a command are no unread frame", n)
		}
	})
}

// While the journal does not take the entry, nothing goes out, also not afterwards.
func TestACommandThatCannotBeRecordedIsNotSent(t *testing.T) {
	w := &twoWay{}
	polled(t, withCommands, w, func(b *bench) {
		b.journal.stop(errors.New("the disk is full"))
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if _, err := b.Command(ctx, record.CommandRequest{Name: "zero"}); !errors.Is(err, record.ErrUnrecorded) {
			t.Error(err)
		}
		b.journal.stop(nil)
		time.Sleep(10 * time.Second)
		if got := strings.Join(acts(b), ", "); got != "zero asked, zero not-sent" || len(w.asked()) != 0 {
			t.Errorf("%s; sent %q", got, w.asked())
		}
	})
}

func TestWhatBecameOfACommandIsSaid(t *testing.T) {
	w := &twoWay{}
	polled(t, withCommands, w, func(b *bench) {
		send := func(name string) error {
			_, err := b.Command(context.Background(), record.CommandRequest{Name: name})
			return err
		}
		if err := send("zero"); err != nil {
			t.Error(err)
		}
		noAnswer(t, send("print"), "got the command and has not answered: nothing came within 200ms")
		w.mu.Lock()
		w.stuck = true
		w.mu.Unlock()
		noAnswer(t, send("zero"), "has not got the command, or not all of it: it could not be sent")
		w.port().Down(time.Now(), context.Canceled)
		refusal(t, send("zero"), "is not open")
		w.port().Up(time.Now())
		time.Sleep(time.Second)
		if got := strings.Join(acts(b), ", "); got != "zero asked, zero sent, print asked, print unanswered, zero asked, zero not-sent" {
			t.Error(got)
		}
		if s := b.Status().Asked; s != (Asked{}) {
			t.Errorf("commands are no questions: %+v", s)
		}
		w.mu.Lock()
		w.stuck = false
		w.mu.Unlock()
		for range commandsPerMinute {
			_ = send("zero")
		}
		refusal(t, send("zero"), "More than 60 commands")
	})
}

// A print on command is a reading like any other.
func TestAWeightThatACommandBringsIsRecordedByTheRule(t *testing.T) {
	polled(t, withCommands, &twoWay{take: after(0, "W 1.000 g S\r\n")}, func(b *bench) {
		a, err := b.Command(context.Background(), record.CommandRequest{Name: "print"})
		if err != nil || a.Text != `"W 1.000 g S\r\n"` {
			t.Errorf("%+v, %v", a, err)
		}
		time.Sleep(time.Second)
		if got := told(b.journal.bodies()); !strings.Contains(strings.Join(got, ", "), "weighing 1.000 g") {
			t.Errorf("%q", got)
		}
	})
}

// After a tare that moves the display by less than the rule's apart_d the next load is recorded, and a load that goes on
// being shown is not recorded twice.
func TestATareDoesNotHideTheNextLoad(t *testing.T) {
	w := &twoWay{}
	polled(t, func(c *Config) {
		withCommands(c)
		c.Record = Rule{Kind: Settling, Settled: DefaultSettled}
	}, w, func(b *bench) {
		rest := func(digits string) {
			for range 4 {
				w.say("W " + digits + " g S\r\n")
				time.Sleep(300 * time.Millisecond)
			}
		}
		send := func() {
			time.Sleep(time.Second)
			if _, err := b.Command(context.Background(), record.CommandRequest{Name: "zero"}); err != nil {
				t.Error(err)
			}
		}
		weighings := func() (n int) {
			for _, e := range told(b.journal.bodies()) {
				if strings.HasPrefix(e, "weighing") {
					n++
				}
			}
			return n
		}
		rest("0.008")
		send()
		rest("0.008")
		if n := weighings(); n != 1 {
			t.Errorf("%d weighings of one load", n)
		}
		rest("0.000")
		rest("0.009")
		if n := weighings(); n != 2 {
			t.Errorf("%d weighings of two loads with a tare between", n)
		}
	})
}
