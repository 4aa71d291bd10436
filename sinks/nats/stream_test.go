package nats

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/sinks"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
)

// TestStreamsThatCannotBeUsed makes streams of all kinds on a real server, each wrong in one way.
func TestStreamsThatCannotBeUsed(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	far := read(t, servers.URLs()[0], "x")
	js, err := jetstream.New(far.conn)
	if err != nil {
		t.Fatal(err)
	}
	for i, x := range []struct {
		name   string
		stream func(*jetstream.StreamConfig)
		config func(*Config)
		words  string // none: it can be used
	}{
		{"as it is made", nil, nil, ""},
		{"for one kind, of all balances", func(s *jetstream.StreamConfig) { s.Subjects = []string{s.Subjects[0][:2] + ".*.*.weighing"} }, nil, ""},
		{"of another site", func(s *jetstream.StreamConfig) { s.Subjects = []string{s.Subjects[0][:2] + ".south.>"} }, nil, "and so never"},
		{"in memory", func(s *jetstream.StreamConfig) { s.Storage = jetstream.MemoryStorage }, nil, "kept in memory"},
		{"interest", func(s *jetstream.StreamConfig) { s.Retention = jetstream.InterestPolicy }, nil, "drops what nobody listens to"},
		{"workqueue and not limits", func(s *jetstream.StreamConfig) { s.Retention = jetstream.WorkQueuePolicy }, nil, "its retention is workqueue and not limits"},
		{"limits and not workqueue", nil, func(c *Config) { c.Retention = retainWorkqueue }, "its retention is limits and not workqueue"},
		{"without acknowledgement", func(s *jetstream.StreamConfig) { s.NoAck = true }, nil, "acknowledges nothing"},
		{"short window", func(s *jetstream.StreamConfig) { s.Duplicates = time.Second }, nil, "its duplicate window is 1s and not 2m0s"},
		{"fewer replicas", nil, func(c *Config) { c.Replicas = 3 }, "it has replicas 1 and not 3"},
	} {
		t.Run(x.name, func(t *testing.T) {
			c := config(servers.URLs()...)
			c.Stream, c.Prefix = fmt.Sprintf("T%d", i), fmt.Sprintf("%c%c", 'a'+i, 'a'+i)
			made := c.streamConfig()
			if x.stream != nil {
				x.stream(&made)
			}
			if _, err := js.CreateStream(within(t, 5*time.Second), made); err != nil {
				t.Fatal(err)
			}
			if x.config != nil {
				x.config(&c)
			}
			if x.words == "" {
				deliverAll(within(t, 5*time.Second), t, openSink(t, c), sinktest.Weighings(2, 1))
				return
			}
			mustBe[sinks.Unusable](t, openSink(t, c), x.words)
		})
	}
}

func TestStreamThatIsNotThere(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	c.Create = false
	s := openSink(t, c)
	mustBe[sinks.Unusable](t, s, "there is no stream WEIGHPOST", "create: true")
	c.Create, c.Replicas = true, 3
	mustBe[sinks.Unusable](t, openSink(t, c), "cannot be made", "replicas: 1")
	c.Replicas = 1
	deliverAll(within(t, 5*time.Second), t, openSink(t, c), sinktest.Weighings(2, 1))
	deliverAll(within(t, 5*time.Second), t, s, sinktest.Weighings(2, 1)) // it works without being opened anew
	// Another stream has the subjects.
	c.Stream = "OTHER"
	mustBe[sinks.Unusable](t, openSink(t, c), "another stream takes these subjects in")
}

// TestSubjectOfAnotherStream: the stream lost its subjects to another one while we were connected.
func TestSubjectOfAnotherStream(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	s := openSink(t, c)
	deliverAll(within(t, 5*time.Second), t, s, sinktest.Weighings(2, 1))
	js, err := jetstream.New(read(t, servers.URLs()[0], "x").conn)
	if err != nil {
		t.Fatal(err)
	}
	moved := c.streamConfig()
	moved.Subjects = []string{"elsewhere.>"}
	if _, err := js.UpdateStream(within(t, 5*time.Second), moved); err != nil {
		t.Fatal(err)
	}
	other := c.streamConfig()
	other.Name = "OTHER"
	if _, err := js.CreateStream(within(t, 5*time.Second), other); err != nil {
		t.Fatal(err)
	}
	mustBe[sinks.Unusable](t, s, "another stream takes this subject in")
	info, err := js.Stream(within(t, 5*time.Second), "OTHER")
	if err != nil || info.CachedInfo().State.Msgs != 0 {
		t.Errorf("the other stream has %+v (%v)", info, err)
	}
}

// TestAFullStream takes nothing more, drops nothing, and goes on once there is room.
func TestAFullStream(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	c.MaxBytes = 20_000
	s := openSink(t, c)
	entries := sinktest.Weighings(100, 1)
	n, err := s.Deliver(within(t, 10*time.Second), entries)
	if n == 0 || n == len(entries) || err == nil || !strings.Contains(err.Error(), "maximum bytes") {
		t.Fatalf("accepted %d and said %v", n, err)
	}
	js, err := jetstream.New(read(t, servers.URLs()[0], "x").conn)
	if err != nil {
		t.Fatal(err)
	}
	larger := c.streamConfig()
	larger.MaxBytes = 1 << 30
	if _, err := js.UpdateStream(within(t, 5*time.Second), larger); err != nil {
		t.Fatal(err)
	}
	deliverAll(within(t, 10*time.Second), t, s, entries[n:])
	if lost, duplicates, disorder := read(t, servers.URLs()[0], c.Stream).verdict(entries); lost+duplicates+disorder != 0 {
		t.Errorf("lost %d, out of order %d, duplicates %d", lost, disorder, duplicates)
	}
}

// TestOthersPublishInBetween: other publishers of the stream get between our messages, so that the one before is not the last there is.
func TestOthersPublishInBetween(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	s := openSink(t, c)
	deliverAll(within(t, 5*time.Second), t, s, nil)
	if _, err := s.Deliver(within(t, 5*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	other := read(t, servers.URLs()[0], c.Stream)
	js, err := jetstream.New(other.conn)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan int)
	go func() {
		n := 0
		for ; ctx.Err() == nil; n++ {
			_, _ = js.Publish(ctx, "weighpost.south.b-01.weighing", []byte("{}"))
		}
		done <- n
	}()
	entries := sinktest.Weighings(1000, 1)
	deliverAll(within(t, 30*time.Second), t, s, entries)
	stop()
	t.Logf("%d messages of another site came in between", <-done)
	ours := &reader{t: t, next: 1 << 62}
	for _, m := range other.messages() {
		if strings.HasPrefix(m.Subject, "weighpost.north") {
			ours.all = append(ours.all, m)
		}
	}
	ours.conn, ours.stream = other.conn, other.stream
	if lost, duplicates, disorder := ours.verdict(entries); lost+duplicates+disorder != 0 {
		t.Errorf("lost %d, out of order %d, duplicates %d", lost, disorder, duplicates)
	}
}

// TestLittleIsSentTwice: among sites that publish all the time, what is behind theirs is refused and has to be sent again. It is little.
func TestLittleIsSentTwice(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	s := openSink(t, config(servers.URLs()...))
	if _, err := s.Deliver(within(t, 5*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(read(t, servers.URLs()[0], "WEIGHPOST").conn)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	var others sync.WaitGroup
	for range 8 {
		others.Go(func() {
			for ctx.Err() == nil {
				_, _ = js.Publish(ctx, "weighpost.south.b-01.weighing", []byte("{}"))
			}
		})
	}
	entries := sinktest.Weighings(1000, 1)
	n, err := s.Deliver(within(t, 30*time.Second), entries)
	stop()
	others.Wait()
	sent := s.link.conn.Stats().OutMsgs
	t.Logf("%d messages were sent for %d entries", sent, len(entries))
	if n != len(entries) || err != nil || sent > 1300 {
		t.Errorf("accepted %d: %v", n, err)
	}
}

// TestPaceOfOneAlone: who meets nobody soon has as many on their way as allowed; who meets others begins again with few.
func TestPaceOfOneAlone(t *testing.T) {
	p := newPace(256)
	for range 511 {
		p.pass()
	}
	if p.window != 256 {
		t.Errorf("after 511 that passed the window is %d", p.window)
	}
	for range 10 {
		p.overtaken()
	}
	if p.window != 1 {
		t.Errorf("overtaken ten times, the window is %d", p.window)
	}
	for range wary - 1 {
		p.pass()
	}
	if p.pass(); p.window != 2 {
		t.Errorf("after %d that passed the window is %d", wary, p.window)
	}
}

// TestWhatComesBehindALossIsRefused plays a loss in the middle: what names a message that is not there is not taken.
func TestWhatComesBehindALossIsRefused(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	s := openSink(t, config(servers.URLs()...))
	entries := sinktest.Weighings(6, 1)
	deliverAll(within(t, 5*time.Second), t, s, entries[:2])
	messages, _ := s.messages(entries)
	l := s.link
	for i := 3; i < 6; i++ { // 2 was lost on the way
		f, err := l.start(messages, i, true)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.wait(within(t, 5*time.Second), f, time.After(5*time.Second)); !overtaken(err) {
			t.Errorf("message %d behind a loss: %v", i, err)
		}
	}
	deliverAll(within(t, 5*time.Second), t, s, entries[2:])
	if lost, duplicates, disorder := read(t, servers.URLs()[0], "WEIGHPOST").verdict(entries); lost+duplicates+disorder != 0 {
		t.Errorf("lost %d, out of order %d, duplicates %d", lost, disorder, duplicates)
	}
}

func TestHeadersCheckpointAndPreview(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	s := openSink(t, c)
	e := sinktest.Weighings(1, 1)[0]
	e.Late = true
	if _, err := s.Deliver(within(t, 5*time.Second), append(sinktest.Weighings(2, 1)[1:], e)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := s.Checkpoint(within(t, 5*time.Second), []byte("north-seed-bank\n1\nabc=\n")); err != nil {
			t.Fatal(err)
		}
	}
	all := read(t, servers.URLs()[0], c.Stream).messages()
	if len(all) != 3 || all[2].Subject != "weighpost.north-seed-bank.checkpoint" || string(all[2].Data) != "north-seed-bank\n1\nabc=\n" {
		t.Fatalf("%d messages: %+v", len(all), all)
	}
	first, late := all[0].Header, all[1].Header
	if first.Values("Weighpost-Late") != nil || late.Get("Weighpost-Late") != "?1" || late.Get("Nats-Msg-Id") != e.ID || late.Get("Content-Type") != "application/json" {
		t.Errorf("%v %v", first, late)
	}
	shown, err := c.Preview("bench", sinks.Env{Site: testSite}, e)
	if err != nil || string(shown.Body) != string(all[1].Data) || !strings.HasPrefix(shown.To, all[1].Subject+" ") || shown.Type != "application/json" {
		t.Errorf("%+v %v", shown, err)
	}
	got := natsgo.Header{}
	for _, a := range shown.Attributes {
		got.Set(a.Name, a.Value)
	}
	for _, name := range []string{"Nats-Msg-Id", "Nats-Expected-Stream", "Weighpost-Late"} {
		if got.Get(name) != late.Get(name) {
			t.Errorf("%s: %q is shown, %q was sent", name, got.Get(name), late.Get(name))
		}
	}
}

// TestTooLarge: an entry that the servers or the stream never take is refused, and those before it are delivered.
func TestTooLarge(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{Extra: "max_payload: 3000"})
	s := openSink(t, config(servers.URLs()...))
	entries := sinktest.WithSamples([]string{"LOT-1", "LOT-2", strings.Repeat("L", 4000)}, 1)
	n, err := s.Deliver(within(t, 5*time.Second), entries)
	if n != 2 || !isRefused(err) || !strings.Contains(err.Error(), "at most 3000 bytes") {
		t.Errorf("accepted %d and said %v", n, err)
	}
	c := config(servers.URLs()...)
	c.Stream, c.Prefix = "SMALL", "small"
	js, errJS := jetstream.New(read(t, servers.URLs()[0], "x").conn)
	if errJS != nil {
		t.Fatal(errJS)
	}
	made := c.streamConfig()
	made.MaxMsgSize = 2000
	if _, err := js.CreateStream(within(t, 5*time.Second), made); err != nil {
		t.Fatal(err)
	}
	entries = sinktest.WithSamples([]string{"LOT-1", "LOT-2", strings.Repeat("L", 1500)}, 1)
	n, err = openSink(t, c).Deliver(within(t, 5*time.Second), entries)
	if n != 2 || !isRefused(err) {
		t.Errorf("accepted %d and said %v", n, err)
	}
}
