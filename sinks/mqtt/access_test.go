package mqtt

import (
	"errors"
	"strings"
	"testing"
	"time"

	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// mustBeUnusable checks that Deliver tells a lasting fault of the sink, in words that hold these.
func mustBeUnusable(t *testing.T, s *Sink, words ...string) {
	t.Helper()
	n, err := s.Deliver(within(t, 60*time.Second), sinktest.Weighings(2, 1))
	if n != 0 || !errors.As(err, new(sinks.Unusable)) {
		t.Fatalf("accepted %d and said %v; want 0 and unusable", n, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
	t.Log(err)
}

func TestTLSWithClientCertificate(t *testing.T) {
	t.Parallel() // most of it is waiting
	certs := mosquitto.NewCertificates(t)
	broker := mosquitto.Start(t, mosquitto.Options{TLS: certs, ClientCertificates: true})
	good := config(broker.URL())
	good.CA, good.Certificate, good.Key = certs.CAFile, certs.ClientCertificate, certs.ClientKey

	t.Run("right", func(t *testing.T) {
		deliverAll(within(t, 60*time.Second), t, openSink(t, good), sinktest.Weighings(20, 1))
	})
	t.Run("by another name of the scheme", func(t *testing.T) {
		c := good
		c.Broker = "ssl://localhost:" + strings.Split(broker.Addr(), ":")[1]
		deliverAll(within(t, 60*time.Second), t, openSink(t, c), sinktest.Weighings(2, 1))
	})
	t.Run("none", func(t *testing.T) {
		c := good
		c.Certificate, c.Key = "", ""
		mustBeUnusable(t, openSink(t, c), "asks for a client certificate")
	})
	t.Run("of a strange authority", func(t *testing.T) {
		c := good
		c.Certificate, c.Key = certs.StrangeCertificate, certs.StrangeKey
		s := openSink(t, c)
		// The alert that names the certificate can be lost to the reset that follows it, so one try in a few must show it.
		for ctx := within(t, 60*time.Second); ; {
			n, err := s.Deliver(ctx, sinktest.Weighings(2, 1))
			if n != 0 || err == nil || ctx.Err() != nil {
				t.Fatalf("accepted %d and said %v; want 0 and unusable", n, err)
			}
			if errors.As(err, new(sinks.Unusable)) && strings.Contains(err.Error(), "refuses our certificate") {
				return
			}
			t.Log(err)
		}
	})
	t.Run("key of another certificate", func(t *testing.T) {
		c := good
		c.Key = certs.StrangeKey
		mustBeUnusable(t, openSink(t, c), "client certificate", "private key does not match")
	})
	t.Run("broker vouched for by a strange authority", func(t *testing.T) {
		c := good
		c.CA = certs.OtherCAFile
		mustBeUnusable(t, openSink(t, c), "not trusted", "check ca")
	})
	t.Run("file missing", func(t *testing.T) {
		c := good
		c.CA = certs.CAFile + ".gone"
		mustBeUnusable(t, openSink(t, c), "cannot be read")
	})
	t.Run("plain where TLS is spoken", func(t *testing.T) {
		s := openSink(t, config("mqtt://"+broker.Addr()))
		_, err := s.Deliver(within(t, 60*time.Second), sinktest.Weighings(1, 1))
		if err == nil || errors.As(err, new(sinks.Unusable)) || !strings.Contains(err.Error(), "with or without TLS") {
			t.Fatalf("got %v", err)
		}
	})
}

func TestUserAndPassword(t *testing.T) { each(t, testUserAndPassword) }

func testUserAndPassword(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "poppy seed"}})
	right := config(broker.URL())
	right.Username, right.Password = "bank", secret(t, "poppy seed")
	deliverAll(within(t, 60*time.Second), t, openSink(t, right), sinktest.Weighings(20, 1))

	wrong := right
	wrong.Password = secret(t, "flax seed")
	mustBeUnusable(t, openSink(t, wrong), "check username", broker.Addr())

	mustBeUnusable(t, openSink(t, config(broker.URL())), "check username")

	missing := right
	missing.Password = secret(t, "x")
	if err := missing.Password.UnmarshalText([]byte("env:WEIGHPOST_TEST_NO_SUCH_VARIABLE")); err != nil {
		t.Fatal(err)
	}
	mustBeUnusable(t, openSink(t, missing), "WEIGHPOST_TEST_NO_SUCH_VARIABLE", "not set")
}

// A password that is mended in its file is used without a restart of weighpost.
func TestRenewedPasswordIsReadAgain(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "poppy seed"}})
	c := config(broker.URL())
	t.Setenv("WEIGHPOST_TEST_PASSWORD", "flax seed")
	c.Username = "bank"
	if err := c.Password.UnmarshalText([]byte("env:WEIGHPOST_TEST_PASSWORD")); err != nil {
		t.Fatal(err)
	}
	s := openSink(t, c)
	mustBeUnusable(t, s)
	t.Setenv("WEIGHPOST_TEST_PASSWORD", "poppy seed")
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(3, 1))
}

// TestDroppingAccessListIsFound shows the trap (everything is acknowledged, nothing arrives) and that the self-test finds it
// where the rule bites: in the whole tree, or at the weighings of one balance alone.
func TestDroppingAccessListIsFound(t *testing.T) {
	t.Parallel() // most of it is waiting
	const collector = "user collector\ntopic readwrite #\n"
	for _, x := range []struct {
		name, acl, dropped string
		accepted           int // of a batch of weighings of b-01, store-3, b-01 …: those before the first that is dropped
	}{
		{"nothing may be written", "user bank\ntopic read #\n", "weighpost/north-seed-bank/status", 0},
		{"weighings may not be written", "user bank\ntopic read #\ntopic readwrite weighpost/+/status\n", "/weighing", 0},
		{"one balance may not be written", "user bank\ntopic readwrite #\ntopic deny weighpost/north-seed-bank/store-3/#\n", "store-3/weighing", -1},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			broker := mosquitto.Start(t, mosquitto.Options{ACL: x.acl + collector,
				Users: map[string]string{"bank": "poppy seed", "collector": "far side"}})
			far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
			entries := sinktest.Weighings(20, 3)
			accepted := x.accepted
			if accepted < 0 {
				for accepted = 0; entries[accepted].Balance != "store-3"; accepted++ {
				}
			}
			c := config(broker.URL())
			c.KeepAlive = 2_000_000_000 // what does not come back within this time was dropped
			c.Username, c.Password = "bank", secret(t, "poppy seed")
			s := openSink(t, c)
			n, err := s.Deliver(within(t, 60*time.Second), entries)
			if n != accepted || !errors.As(err, new(sinks.Unusable)) || !strings.Contains(err.Error(), x.dropped) {
				t.Fatalf("accepted %d and said %v; want %d and what is dropped: %s", n, err, accepted, x.dropped)
			}
			t.Log(err)
			blind := c
			blind.SelfTest = false
			b, err := New(blind, "blind", sinks.Env{Site: testSite})
			if err != nil {
				t.Fatal(err)
			}
			defer b.Close()
			deliverAll(within(t, 60*time.Second), t, b, entries)
			if lost, _, _ := far.verdict(entries); lost == 0 {
				t.Error("the broker dropped nothing, so this test shows nothing")
			}
		})
	}
}
