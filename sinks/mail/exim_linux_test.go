package mail

import (
	"bytes"
	"encoding/base64"
	"errors"
	"io"
	"maps"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mail/eximtest"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// server is an exim with TLS and one account, and config a sink that uses it.
func server(t *testing.T, change ...func(*eximtest.Options)) (*eximtest.Server, Config) {
	t.Helper()
	c := mosquitto.NewCertificates(t)
	o := eximtest.Options{Certificate: c.ServerCertificate, Key: c.ServerKey, User: "weighpost", Password: "open sesame"}
	for _, f := range change {
		f(&o)
	}
	s := eximtest.Start(t, o)
	t.Setenv("WEIGHPOST_TEST_MAIL", "open sesame")
	cfg := *Default()
	cfg.Server, cfg.CA, cfg.User, cfg.From, cfg.To = s.Addr(), c.CAFile, "weighpost", "weighpost@lab.example", []string{"keeper@lab.example", "it@lab.example"}
	cfg.Password = secret(t, "env:WEIGHPOST_TEST_MAIL")
	cfg.PerHour, cfg.Timeout = 120, strict.Duration(10*time.Second)
	cfg.Alarms.Severity = "none"
	return s, cfg
}

// parts are the text of a message and what is attached, decoded by the standard library.
func parts(t *testing.T, m eximtest.Message) (text string, attached []byte) {
	t.Helper()
	decode := func(encoding string, r io.Reader) []byte {
		switch strings.ToLower(encoding) {
		case "quoted-printable":
			r = quotedprintable.NewReader(r)
		case "base64":
			r = base64.NewDecoder(base64.StdEncoding, r)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	in, err := mail.ReadMessage(bytes.NewReader(m.Raw))
	if err != nil {
		t.Fatal(err)
	}
	kind, params, err := mime.ParseMediaType(in.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(kind, "multipart/") {
		return string(decode(in.Header.Get("Content-Transfer-Encoding"), in.Body)), nil
	}
	for r := multipart.NewReader(in.Body, params["boundary"]); ; {
		p, err := r.NextRawPart()
		if err == io.EOF {
			return text, attached
		}
		if err != nil {
			t.Fatal(err)
		}
		b := decode(p.Header.Get("Content-Transfer-Encoding"), p)
		if p.FileName() != "" {
			attached = b
		} else {
			text = string(b)
		}
	}
}

// TestPromises against a real exim. The entries are attached, so that the facts of each come from what lies in the mailbox. That a
// destination asks for time, or loses an answer, SMTP cannot say.
func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		far, cfg := server(t)
		cfg.Attach = true
		return sinktest.Harness{
			Open: func() (sinks.Sink, error) {
				s := New(cfg, "alarms", sinks.Env{Site: "north-lab"})
				s.hourly.most, s.hourly.span = 12, 250*time.Millisecond // so that the hour is over soon
				return s, nil
			},
			Received: func() (list []sinktest.Arrival) {
				for _, m := range far.Messages(t) {
					_, attached := parts(t, m)
					list = append(list, sinktest.Arrival{Name: m.Header.Get("Message-ID"), Body: attached})
				}
				return list
			},
			Volume: far.Taken, // Received waits until no message is on its way to the mailbox
			Break:  far.Down, Mend: func() { far.Up(t) },
			Refuse: func(id string) { far.Switch(t, "refuse", id) },
			Deny: func(on bool) {
				far.Switch(t, "deny", map[bool]string{true: "yes"}[on])
			},
			Hang: func(on bool) {
				if on {
					far.Freeze()
				} else {
					far.Thaw()
				}
			},
			Few:    os.Getenv("WEIGHPOST_LONG") == "", // each is a program of its own there: a thousand take a minute
			Within: 8 * time.Second,
		}
	})
}

func TestConnections(t *testing.T) {
	e := refusedSignIn("kim")
	for name, c := range map[string]struct {
		server func(*eximtest.Options)
		change func(*Config)
		want   string
		words  string
	}{
		"STARTTLS, plain":           {func(*eximtest.Options) {}, func(*Config) {}, "accepted", ""},
		"STARTTLS, login":           {func(*eximtest.Options) {}, func(c *Config) { c.Auth = "login" }, "accepted", ""},
		"TLS from the first byte":   {func(o *eximtest.Options) { o.Implicit = true }, func(c *Config) { c.TLS = implicitTLS }, "accepted", ""},
		"no encryption offered":     {func(o *eximtest.Options) { o.Certificate = "" }, func(*Config) {}, "stopped", "does not offer STARTTLS"},
		"none, to this machine":     {func(o *eximtest.Options) { o.Certificate = "" }, func(c *Config) { c.TLS, c.CA = noTLS, "" }, "accepted", ""},
		"another authority":         {func(*eximtest.Options) {}, func(c *Config) { c.CA = "" }, "stopped", "certificate is not trusted"},
		"a wrong password":          {func(*eximtest.Options) {}, func(c *Config) { c.User = "somebody" }, "stopped", "check user and password"},
		"no password":               {func(*eximtest.Options) {}, func(c *Config) { c.User, c.Password = "", strict.Secret{} }, "stopped", "who are you"},
		"a way that it has not":     {func(*eximtest.Options) {}, func(c *Config) { c.Auth = "xoauth2" }, "stopped", "check auth"},
		"nobody at home":            {func(*eximtest.Options) {}, func(c *Config) { c.Server = "127.0.0.1:1" }, "again", "no connection"},
		"no secret where it should": {func(*eximtest.Options) {}, func(c *Config) { c.Password = secret(t, "env:WEIGHPOST_TEST_NONE") }, "stopped", "WEIGHPOST_TEST_NONE"},
	} {
		t.Run(name, func(t *testing.T) {
			far, cfg := server(t, c.server)
			c.change(&cfg)
			_, err := openSink(t, cfg, "").Deliver(t.Context(), []record.Entry{e})
			if outcome(err) != c.want || err != nil && !strings.Contains(err.Error(), c.words) || err != nil && strings.Contains(err.Error(), "sesame") {
				t.Errorf("%s (%v), want %s with %q", outcome(err), err, c.want, c.words)
			}
			if got := len(far.Messages(t)); got != map[bool]int{true: 1}[c.want == "accepted"] {
				t.Errorf("%d messages arrived", got)
			}
		})
	}
}

// TestWhatTheServerSaysOfMessages: 4yz is tried again, 5yz after the message refuses that one, 5yz to a receiver stops the sink.
func TestWhatTheServerSaysOfMessages(t *testing.T) {
	far, cfg := server(t)
	s := openSink(t, cfg, "")
	for _, c := range []struct{ name, text, want, words string }{
		{"later", "yes", "again", "451"}, {"refuse", "kim", "refused", "nobody wants to hear that"}, {"nobody", "yes", "stopped", "check to"},
	} {
		far.Switch(t, c.name, c.text)
		n, err := s.Deliver(t.Context(), []record.Entry{refusedSignIn("kim")})
		if n != 0 || outcome(err) != c.want || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %s (%v), want %s with %q", c.name, outcome(err), err, c.want, c.words)
		}
		far.Switch(t, c.name, "")
	}
	if n, err := s.Deliver(t.Context(), []record.Entry{refusedSignIn("kim")}); n != 1 || err != nil {
		t.Errorf("afterwards: %d, %v", n, err)
	}
}

// TestWhatStandsInAMessage also puts everything hostile into an entry: no header comes of it, and each text is one line.
func TestWhatStandsInAMessage(t *testing.T) {
	far, cfg := server(t)
	s := openSink(t, cfg, "")
	hostile := "kim\r\nBcc: thief@elsewhere.example\r\n\r\nbody\u202egnp\x1b[2J\r\n.\r\nMAIL FROM:<x@y>" + strings.Repeat("é", 5000)
	e := refusedSignIn(hostile)
	e.Late = true
	for range 2 { // as after a lost answer
		if n, err := s.Deliver(t.Context(), []record.Entry{e}); n != 1 || err != nil {
			t.Fatal(n, err)
		}
	}
	got := far.Messages(t)
	if len(got) != 2 || got[0].Header.Get("Message-ID") != got[1].Header.Get("Message-ID") || got[0].Header.Get("Message-ID") == "" {
		t.Fatalf("%d messages; ids %q", len(got), got[0].Header.Get("Message-ID"))
	}
	m := got[0]
	for name, want := range map[string]string{"From": "<weighpost@lab.example>", "To": "<keeper@lab.example>, <it@lab.example>", "Subject": "[north-lab] sign-in refused",
		"Auto-Submitted": "auto-generated", "Weighpost-Late": "?1", "Bcc": "", "Envelope-To": "keeper@lab.example, it@lab.example"} {
		if got := m.Header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	text, _ := parts(t, m)
	for _, want := range []string{"sign-in refused", "kim Bcc: thief@elsewhere.example body gnp [2J", "Since 2026-11-29 10:04:05 UTC", "Entry north-lab/7qx3/@/000184", "site north-lab, destination alarms"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %q", want, text)
		}
	}
	if len(text) > 4000 || strings.ContainsAny(text, "\x1b\u202e") || strings.Contains(text, "\nBcc") {
		t.Errorf("the text has %d bytes: %q", len(text), text)
	}
	shown, err := cfg.Preview("alarms", sinks.Env{Site: "north-lab"}, e)
	if err != nil || strings.TrimSpace(strings.ReplaceAll(text, "\r\n", "\n")) != strings.TrimSpace(string(shown.Body)) {
		t.Errorf("preview %q, sent %q, %v", shown.Body, text, err)
	}
}

// TestMoreThanTheHourAllowsGoesOutAsOne: the last message that the hour allows holds all that waits, and what comes then waits.
func TestMoreThanTheHourAllowsGoesOutAsOne(t *testing.T) {
	far, cfg := server(t)
	cfg.PerHour = 3
	s := openSink(t, cfg, "")
	entries := sinktest.Weighings(10, 1)
	if n, err := s.Deliver(t.Context(), entries); n != 10 || err != nil {
		t.Fatal(n, err)
	}
	n, err := s.Deliver(t.Context(), entries[:1])
	var busy sinks.Busy
	if n != 0 || !errors.As(err, &busy) || busy.After < 59*time.Minute || busy.After > time.Hour {
		t.Errorf("%d, %v", n, err)
	}
	got := far.Messages(t)
	if len(got) != 3 {
		t.Fatalf("%d messages", len(got))
	}
	if text, _ := parts(t, got[2]); strings.Count(text, "Entry ") != 8 || got[2].Header.Get("Subject") != "[north-lab] 8 entries that waited" {
		t.Errorf("the last is %q: %s", got[2].Header.Get("Subject"), text)
	}
}

// TestNothingAcknowledgedIsLostWhenTheServerIsKilled kills exim and all that it has begun at random while messages go out.
func TestNothingAcknowledgedIsLostWhenTheServerIsKilled(t *testing.T) {
	rounds, random := needs.Rounds(t, 3, 50)
	far, cfg := server(t)
	cfg.PerHour, cfg.Attach = 1000, true
	acked := map[string]bool{}
	entries := sinktest.Weighings(rounds*20, 5)
	for round := range rounds {
		s := New(cfg, "alarms", sinks.Env{Site: "north-lab"}) // the hour begins anew
		rest := entries[round*20 : round*20+20]
		done := make(chan struct{})
		go func() {
			defer close(done)
			time.Sleep(time.Duration(random.IntN(150)) * time.Millisecond)
			far.Kill()
		}()
		for tries := 0; len(rest) > 0 && tries < 1000; tries++ {
			n, err := s.Deliver(t.Context(), rest)
			for _, e := range rest[:n] {
				acked[e.ID] = true
			}
			if rest = rest[n:]; err != nil && outcome(err) != "again" {
				t.Fatal(err)
			}
			if err != nil {
				<-done
				far.Up(t)
			}
		}
		<-done
		far.Down()
		far.Up(t)
		_ = s.Close()
	}
	far.RunQueue()
	for id := range sameIDs(t, far, acked) {
		t.Errorf("%s was acknowledged and is in no mailbox", id)
	}
	if len(acked) != len(entries) {
		t.Errorf("%d of %d acknowledged", len(acked), len(entries))
	}
	v := sinktest.Judge(entries, attachments(t, far))
	v.Disorder = 0 // mail servers promise none after a crash
	v.Hold(t, "the server killed", rounds, rounds, len(entries))
}

// attachments are the entries in the mailboxes.
func attachments(t *testing.T, far *eximtest.Server) (list []sinktest.Arrival) {
	t.Helper()
	for _, m := range far.Messages(t) {
		_, attached := parts(t, m)
		list = append(list, sinktest.Arrival{Name: m.Header.Get("Message-ID"), Body: attached})
	}
	return list
}

// sameIDs wants each entry to come with one Message-ID, however often, and gives those that are wanted and did not come.
func sameIDs(t *testing.T, far *eximtest.Server, wanted map[string]bool) map[string]bool {
	t.Helper()
	arrived, missing := map[string]string{}, maps.Clone(wanted)
	for _, a := range attachments(t, far) {
		facts, err := sinktest.ParseJSON(a)
		if err != nil {
			t.Fatalf("a torn message: %v", err)
		}
		for _, f := range facts {
			if before := arrived[f.ID]; before != "" && before != a.Name {
				t.Errorf("%s arrived as %s and as %s", f.ID, before, a.Name)
			}
			arrived[f.ID] = a.Name
			delete(missing, f.ID)
		}
	}
	return missing
}

// TestThroughABadNetwork delays, resets, cuts and closes what goes to exim and what comes of it.
func TestThroughABadNetwork(t *testing.T) {
	rounds, random := needs.Rounds(t, 8, 100)
	far, cfg := server(t)
	between := toxic.Start(t, far.Addr())
	cfg.Server, cfg.Attach, cfg.Timeout = between.Addr(), true, strict.Duration(time.Second)
	s := New(cfg, "alarms", sinks.Env{Site: "north-lab"})
	defer s.Close()
	s.hourly.most, s.hourly.span = 1000, time.Second // no hour is long enough for that many
	entries := sinktest.Weighings(rounds*6, 5)
	amid := sinktest.Amid(t, s, entries, rounds, random, func(round int) {
		mend := between.Fault(t, round, random)
		time.Sleep(time.Duration(20+random.IntN(150)) * time.Millisecond)
		mend()
	})
	far.RunQueue()
	sameIDs(t, far, nil)
	sinktest.Judge(entries, attachments(t, far)).Hold(t, "a bad network", rounds, amid, len(entries))
}

// TestAlarmsReachAMailbox sends real messages: one that something is wrong, none after a restart, one that it is over.
func TestAlarmsReachAMailbox(t *testing.T) {
	far, cfg := server(t)
	cfg.Alarms = Alarms{Severity: "warning"}
	folder := t.TempDir()
	began := time.Now().Add(-time.Hour)
	const holds = `[{"code":"port-lost","subject":"b-12","severity":"error","sentence":"Nothing comes from balance b-12.","remedy":"Plug it in.","since":"2026-11-29T10:00:00Z"},` +
		`{"code":"clock-few-servers","subject":"clock","severity":"notice","sentence":"Few.","remedy":"More.","since":"2026-11-29T10:00:00Z"}]`
	start := func() *Sink {
		s := newSink(cfg, "alarms", sinks.Env{Site: "north-lab", Folder: folder}, began)
		t.Cleanup(func() { _ = s.Close() })
		return s
	}
	wait := func(n int) []eximtest.Message {
		t.Helper()
		for until := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			if got := far.Messages(t); len(got) >= n || time.Now().After(until) {
				return got
			}
		}
	}
	s := start()
	s.Status([]byte(holds))
	first := wait(1)
	if len(first) != 1 || first[0].Header.Get("Subject") != "[north-lab] error: Nothing comes from balance b-12." {
		t.Fatalf("%d messages, %v", len(first), first)
	}
	text, _ := parts(t, first[0])
	for _, want := range []string{"error: Nothing comes from balance b-12.", "Since 2026-11-29 10:00:00 UTC. (port-lost b-12)", "What to do: Plug it in."} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %q", want, text)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = start()
	s.Status([]byte(holds))
	time.Sleep(300 * time.Millisecond) // nothing may come: there is nothing to wait for
	s.Status([]byte(`[]`))
	last := wait(2)
	if len(last) != 2 || last[1].Header.Get("Subject") != "[north-lab] over: Nothing comes from balance b-12." ||
		last[1].Header.Get("In-Reply-To") != first[0].Header.Get("Message-ID") {
		t.Fatalf("%d messages, the last %v", len(last), last[len(last)-1].Header)
	}
	if info, err := os.Stat(folder + "/mail-alarms.json"); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
}

// TestAlarmsThatCannotBeSentAreSaid: to others, as long as the server takes none.
func TestAlarmsThatCannotBeSentAreSaid(t *testing.T) {
	far, cfg := server(t)
	said := make(chan error, 4)
	s := newSink(cfg, "alarms", sinks.Env{Site: "north-lab", Alarms: func(err error) { said <- err }}, noon)
	w := newWatcher(func(a *Alarms) { a.Wait = 0 })
	m := openMemory("", "alarms", s.log)
	hold := []condition{lost("b-12")}
	var backOff time.Duration
	for _, denied := range []bool{true, false} {
		far.Switch(t, "deny", map[bool]string{true: "yes"}[denied])
		var failed time.Time
		s.tell(t.Context(), w, m, hold, &failed, &backOff)
		if len(said) != 1 {
			t.Fatalf("denied %v: said %d times", denied, len(said))
		}
		if err := <-said; (err != nil) != denied {
			t.Errorf("denied %v: said %v", denied, err)
		}
	}
	if got := far.Messages(t); len(got) != 1 {
		t.Errorf("%d messages", len(got))
	}
	if err := s.Close(); err != nil || <-said != nil {
		t.Error("it is not taken back when the sink is closed", err)
	}
}
