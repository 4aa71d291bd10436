package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// inBubble runs a balance that a test talks to, in a synctest bubble, and gives what was journalled.
func inBubble(t *testing.T, src string, change func(*Config), act func(t *testing.T, b *bench, h port.Handler)) (bodies []record.Body) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, src, change, nil)
		if err := during(t, b, func(h port.Handler) { quietly(h); act(t, b, h) }); err != nil {
			t.Fatal(err)
		}
		bodies = b.journal.bodies()
	})
	return bodies
}

func weighings(bodies []record.Body) (out []*record.Weighing) {
	for _, b := range bodies {
		switch b := b.(type) {
		case *record.Weighing:
			out = append(out, b)
		case *record.Result:
			out = append(out, &b.Weighing)
		}
	}
	return out
}

// prints has the balance print one line, and waits for a second.
func prints(h port.Handler, line string) {
	sent(h, line+"\n")
	time.Sleep(time.Second)
}

func TestAContextGoesToTheNextWeighing(t *testing.T) {
	bodies := inBubble(t, anchored, nil, func(t *testing.T, b *bench, h port.Handler) {
		prints(h, "W 1.000 g S")
		v, err := b.SetContext(t.Context(), record.ContextRequest{
			Person: &record.ContextItem{ID: "p-07"}, Sample: &record.ContextItem{ID: "LOT-1"},
			Fields: map[string]*record.ContextItem{"box": {ID: "B7", Uses: 2}}, By: record.BySent, Where: "test", At: time.Now(),
		})
		if err != nil || len(v.Items) != 3 || v.Items[0].ID != "p-07" || v.Items[0].Uses != nil || *v.Items[1].Uses != 1 || *v.Items[2].Uses != 2 {
			t.Errorf("%+v, %v", v, err)
		}
		if n := len(b.journal.bodies()); n != 3 {
			t.Errorf("answered with %d entries in the journal", n)
		}
		time.Sleep(time.Second)
		prints(h, "W 2.000 g S")
		if s := b.Status(); s.LastSample != "LOT-1" || s.LastPerson != "p-07" || len(s.Context.Items) != 2 {
			t.Errorf("status %+v", s)
		}
		prints(h, "W 3.000 g S")
		prints(h, "W 4.000 g S")
		if l := b.screen.all(); l[0].Person != "" || l[2].Sample != "LOT-1" || l[3].Sample != "LOT-1" || l[4].Sample != "" || l[4].Person != "p-07" {
			t.Errorf("live %+v", l)
		}
	})
	w := weighings(bodies)
	if w[0].Context.Person != nil || w[0].Context.Sample != nil || sampleOf(w[1]) != "LOT-1" || sampleOf(w[2]) != "" || personOf(w[3]) != "p-07" {
		t.Errorf("%+v", story(bodies))
	}
	if l := w[1].Context.Sample; *l.UsesLeft != 0 || l.Since == nil || l.By != record.BySent || w[1].Context.Person.UsesLeft != nil {
		t.Errorf("sample %+v", l)
	}
	if w[1].Context.Fields["box"] != "B7" || w[2].Context.Fields["box"] != "B7" || len(w[3].Context.Fields) != 0 {
		t.Errorf("fields %v %v %v", w[1].Context.Fields, w[2].Context.Fields, w[3].Context.Fields)
	}
	if last := bodies[len(bodies)-1].(*record.ContextChange); last.Cause != "expired" || last.Before.Person == nil || !last.After.Empty() {
		t.Errorf("at the stop: %+v", last)
	}
}

// What uses an item up: a recorded weighing or result; no live reading, no frame that cannot be read, no tare.
func TestWhatUsesAnItemUp(t *testing.T) {
	src := "line: \"{kind} {weight} {unit} {stability}\"\nkind: {\"T\": tare, \"N\": net}\n" +
		"weight: {over: [\"+++++\"]}\nstability: {\"S\": stable}\n"
	bodies := inBubble(t, src, nil, func(t *testing.T, b *bench, h port.Handler) {
		if err := sets(t, b, "LOT-1", time.Now()); err != nil {
			t.Error(err)
		}
		time.Sleep(time.Second)
		for _, line := range []string{"T 5.000 g S", "rubbish", "N +++++ g S", "N 12 pcs S", "N 1.000 g S"} {
			prints(h, line)
		}
	})
	w := weighings(bodies)
	if len(w) != 3 || sampleOf(w[0]) != "LOT-1" || *w[0].Context.Sample.UsesLeft != 1 || sampleOf(w[1]) != "LOT-1" || sampleOf(w[2]) != "" {
		t.Errorf("%d weighings: %q", len(w), story(bodies))
	}
}

func TestAContextExpires(t *testing.T) {
	const min = strict.Duration(time.Minute)
	bodies := inBubble(t, anchored, func(c *Config) {
		c.Context.Person = Hold{For: 60 * min, Idle: 10 * min}
		c.Context.Sample = Hold{For: 5 * min, Uses: -1}
	}, func(t *testing.T, b *bench, h port.Handler) {
		set := func(name, id string, length time.Duration) {
			t.Helper()
			r := record.ContextRequest{By: record.BySignedIn, At: time.Now()}
			*r.Item(name) = &record.ContextItem{ID: id, For: length}
			if _, err := b.SetContext(t.Context(), r); err != nil {
				t.Error(err)
			}
		}
		holds := func(want ...string) {
			t.Helper()
			synctest.Wait()
			var got []string
			for _, i := range b.Context().Items {
				got = append(got, i.ID)
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s holds %q, want %q", time.Now().Format("15:04:05.000"), got, want)
			}
		}
		set("person", "p-07", 0)
		set("sample", "LOT-1", 0)
		if v := b.Context(); time.Until(v.Items[0].Until.Time()) != 10*time.Minute || time.Until(v.Items[1].Until.Time()) != 5*time.Minute {
			t.Errorf("%+v", v)
		}
		time.Sleep(5*time.Minute - time.Millisecond)
		holds("p-07", "LOT-1")
		time.Sleep(time.Millisecond)
		holds("p-07")
		for range 8 { // somebody is at work: idle begins anew with each
			sent(h, "W 1.000 g S\n")
			time.Sleep(8 * time.Minute)
		}
		holds() // an hour is over
		set("person", "p-08", 0)
		set("sample", "LOT-2", time.Hour)
		time.Sleep(10*time.Minute - time.Millisecond)
		holds("p-08", "LOT-2")
		time.Sleep(time.Millisecond)
		holds("LOT-2") // nobody was at work
		time.Sleep(time.Hour)
		holds()
	})
	w := weighings(bodies)
	if personOf(w[0]) != "p-07" || sampleOf(w[0]) != "" || personOf(w[6]) != "p-07" || personOf(w[7]) != "" {
		t.Error("an item was given after its end, or not before it")
	}
	var causes []string
	for _, b := range bodies {
		if e, ok := b.(*record.ContextChange); ok {
			causes = append(causes, e.Cause)
		}
	}
	if want := "set set expired expired set set expired expired"; strings.Join(causes, " ") != want {
		t.Errorf("entries %q, want %q", causes, want)
	}
}

func TestSettingAndEnding(t *testing.T) {
	bodies := inBubble(t, anchored, nil, func(t *testing.T, b *bench, h port.Handler) {
		ask := func(r record.ContextRequest, want ...string) {
			t.Helper()
			r.By, r.At = record.ByTyped, time.Now()
			v, err := b.SetContext(t.Context(), r)
			var got []string
			for _, i := range v.Items {
				got = append(got, i.Name+"="+i.ID)
			}
			if err != nil {
				got = append(got, "refused")
			}
			if !slices.Equal(got, want) {
				t.Errorf("%q (%v), want %q", got, err, want)
			}
			time.Sleep(time.Second)
		}
		item := func(id string) *record.ContextItem { return &record.ContextItem{ID: id} }
		ask(record.ContextRequest{Person: item("p-07"), Lot: item("L1"), Fields: map[string]*record.ContextItem{"box": item("B7")}}, "person=p-07", "lot=L1", "box=B7")
		ask(record.ContextRequest{Lot: item("")}, "person=p-07", "box=B7")
		ask(record.ContextRequest{Whole: true, Method: item("m1"), Fields: map[string]*record.ContextItem{"tray": item("T")}}, "method=m1", "tray=T")
		ask(record.ContextRequest{}, "method=m1", "tray=T", "refused")
		ask(record.ContextRequest{Person: item("p\x07")}, "method=m1", "tray=T", "refused")
		ask(record.ContextRequest{Fields: map[string]*record.ContextItem{"person": item("x")}}, "method=m1", "tray=T", "refused")
		many := map[string]*record.ContextItem{}
		for i := range mostFields {
			many[fmt.Sprintf("f%d", i)] = item("x")
		}
		ask(record.ContextRequest{Fields: many}, "method=m1", "tray=T", "refused")
		ask(record.ContextRequest{SignOut: true})
		ask(record.ContextRequest{Whole: true})
	})
	if got := strings.Join(story(bodies), "|"); strings.Count(got, "set") != 4 || strings.Count(got, "refused") != 4 || strings.Count(got, "signed-out") != 1 {
		t.Errorf("%q", got)
	}
}

// A lost port may mean another balance and another person: nothing that was held survives it.
func TestALostPortEndsTheContext(t *testing.T) {
	bodies := inBubble(t, anchored, nil, func(t *testing.T, b *bench, h port.Handler) {
		if err := sets(t, b, "LOT-1", time.Now()); err != nil {
			t.Error(err)
		}
		h.Down(time.Now(), &port.Trouble{Code: port.CodeLost, Sentence: "The cable was pulled."})
		time.Sleep(time.Second)
		quietly(h)
		prints(h, "W 1.000 g S")
	})
	if got, want := story(bodies), []string{"set ->LOT-1", "expired LOT-1>-", "1.000:"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// While the journal refuses, a sample is spent once, and the request is answered when its entry is durable and not before.
func TestARefusingJournalSpendsNothingTwice(t *testing.T) {
	bodies := inBubble(t, anchored, nil, func(t *testing.T, b *bench, h port.Handler) {
		b.journal.stop(errors.New("the disk is full"))
		limit, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		_, err := b.SetContext(limit, record.ContextRequest{Sample: &record.ContextItem{ID: "LOT-1"}, By: record.BySent, At: time.Now()})
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("answered with %v", err)
		}
		answered := make(chan error, 1)
		go func() {
			_, err := b.SetContext(t.Context(), record.ContextRequest{Sample: &record.ContextItem{ID: "LOT-2"}, By: record.BySent, At: time.Now()})
			answered <- err
		}()
		time.Sleep(time.Second)
		prints(h, "W 1.000 g S")
		prints(h, "W 2.000 g S")
		select {
		case err := <-answered:
			t.Errorf("answered with %v, and nothing is durable", err)
		default:
		}
		b.journal.stop(nil)
		if err := <-answered; err != nil {
			t.Error(err)
		}
		prints(h, "W 3.000 g S")
	})
	if got, want := story(bodies), []string{"set ->LOT-1", "set LOT-1>LOT-2", "1.000:LOT-2", "2.000:", "3.000:"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Where the latest reading of a period is recorded, it carries what was in force when it was printed, and only what is
// recorded uses anything up.
func TestAContextUnderTheRuleEvery(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) { c.Record = Rule{Kind: Periodic, Every: strict.Duration(5 * time.Second)} }, func(t *testing.T, b *bench, h port.Handler) {
		for i := range 20 {
			if i == 7 {
				if err := sets(t, b, "LOT-1", time.Now()); err != nil {
					t.Error(err)
				}
				time.Sleep(100 * time.Millisecond)
			}
			sent(h, fmt.Sprintf("W %d.000 g S\n", i))
			time.Sleep(time.Second)
		}
	})
	if got, want := story(bodies), []string{"4.000:", "set ->LOT-1", "9.000:LOT-1", "14.000:", "19.000:"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Where a load that has come to rest is recorded, it carries what is in force when it does.
func TestAContextUnderTheRuleSettled(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) { c.Record = Rule{Kind: Settling, Settled: DefaultSettled} }, func(t *testing.T, b *bench, h port.Handler) {
		load := func(g string) {
			for range 10 {
				sent(h, "W "+g+" g S\n")
				time.Sleep(100 * time.Millisecond)
			}
		}
		for _, lot := range []string{"LOT-1", "LOT-2"} {
			load("0.000")
			if err := sets(t, b, lot, time.Now()); err != nil {
				t.Error(err)
			}
			load("5.000")
		}
	})
	if got, want := story(bodies), []string{"set ->LOT-1", "5.000:LOT-1", "set ->LOT-2", "5.000:LOT-2"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
