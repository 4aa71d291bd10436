package nats

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nkeys"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
)

func isRefused(err error) bool { return errors.As(err, new(sinks.Refused)) }

func secret(t *testing.T, text string) strict.Secret {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := strict.SecretFrom("file:" + path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestUserAndPassword(t *testing.T) {
	t.Parallel()
	servers := natstest.Start(t, natstest.Options{Authorization: `users: [{user: bank, password: "poppy seed"}]`})
	c := config(servers.URLs()...)
	c.Username, c.Password = "bank", secret(t, "poppy seed")
	deliverAll(within(t, 10*time.Second), t, openSink(t, c), sinktest.Weighings(20, 1))
	c.Password = secret(t, "flax seed")
	mustBe[sinks.Unusable](t, openSink(t, c), "uthorization", "check username")
	mustBe[sinks.Unusable](t, openSink(t, config(servers.URLs()...)), "check username")
	ref, err := strict.SecretFrom("env:WEIGHPOST_TEST_NO_SUCH_VARIABLE")
	if err != nil {
		t.Fatal(err)
	}
	c.Password = ref
	mustBe[sinks.Unusable](t, openSink(t, c), "WEIGHPOST_TEST_NO_SUCH_VARIABLE", "not set")
}

func TestNKey(t *testing.T) {
	t.Parallel()
	user, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, _ := user.PublicKey()
	seed, _ := user.Seed()
	servers := natstest.Start(t, natstest.Options{Authorization: fmt.Sprintf("users: [{nkey: %s}]", public)})
	c := config(servers.URLs()...)
	c.NKey = secret(t, string(seed)+"\n")
	deliverAll(within(t, 10*time.Second), t, openSink(t, c), sinktest.Weighings(20, 1))
	other, _ := nkeys.CreateUser()
	seed, _ = other.Seed()
	c.NKey = secret(t, string(seed))
	mustBe[sinks.Unusable](t, openSink(t, c), "check")
	account, _ := nkeys.CreateAccount()
	seed, _ = account.Seed()
	c.NKey = secret(t, string(seed))
	mustBe[sinks.Unusable](t, openSink(t, c), "not of a user")
	c.NKey = secret(t, "poppy")
	mustBe[sinks.Unusable](t, openSink(t, c), "holds no seed")
}

// TestPermissions: what an account may not do is said, and is no matter of waiting.
func TestPermissions(t *testing.T) {
	t.Parallel()
	rights := func(publish, subscribe string) natstest.Options {
		return natstest.Options{Authorization: fmt.Sprintf(
			`users: [{user: bank, password: poppy, permissions: {publish: %s, subscribe: %s}}, {user: keeper, password: keeper}]`, publish, subscribe)}
	}
	for _, x := range []struct{ name, publish, subscribe, words string }{
		{"all that is needed", `["weighpost.>", "$JS.API.STREAM.INFO.WEIGHPOST", "$JS.API.STREAM.CREATE.WEIGHPOST"]`, `["_INBOX.>"]`, ""},
		{"not the weighings", `["$JS.API.>"]`, `["_INBOX.>"]`, "ermissions"},
		{"not the stream", `["weighpost.>"]`, `["_INBOX.>"]`, "ermissions"},
		{"no answers", `["weighpost.>", "$JS.API.>"]`, `["elsewhere"]`, "ermissions"},
	} {
		t.Run(x.name, func(t *testing.T) {
			servers := natstest.Start(t, rights(x.publish, x.subscribe))
			c := config(servers.URLs()...)
			c.Timeout = 2_000_000_000
			c.Username, c.Password = "bank", secret(t, "poppy")
			if x.words == "" {
				deliverAll(within(t, 10*time.Second), t, openSink(t, c), sinktest.Weighings(20, 1))
				return
			}
			mustBe[sinks.Unusable](t, openSink(t, c), x.words, "This account needs")
		})
	}
}

func TestTLS(t *testing.T) {
	t.Parallel()
	certs := mosquitto.NewCertificates(t)
	servers := natstest.Start(t, natstest.Options{CA: certs.CAFile, Certificate: certs.ServerCertificate, Key: certs.ServerKey, Verify: true})
	good := config(servers.URLs()...)
	good.CA, good.Certificate, good.Key = certs.CAFile, certs.ClientCertificate, certs.ClientKey
	deliverAll(within(t, 10*time.Second), t, openSink(t, good), sinktest.Weighings(20, 1))
	for name, x := range map[string]struct {
		change func(*Config)
		words  string
	}{
		"server vouched for by a strange authority": {func(c *Config) { c.CA = certs.OtherCAFile }, "not trusted"},
		"key of another certificate":                {func(c *Config) { c.Key = certs.StrangeKey }, "private key does not match"},
		"file missing":                              {func(c *Config) { c.CA += ".gone" }, "cannot be read"},
	} {
		t.Run(name, func(t *testing.T) {
			c := good
			x.change(&c)
			mustBe[sinks.Unusable](t, openSink(t, c), x.words)
		})
	}
	t.Run("no client certificate", func(t *testing.T) {
		c := good
		c.Certificate, c.Key = "", ""
		s := openSink(t, c)
		// The alert that names the certificate can be lost to the reset that follows it, so one try in a few must show it.
		for ctx := within(t, 20*time.Second); ; {
			n, err := s.Deliver(ctx, sinktest.Weighings(2, 1))
			if n != 0 || err == nil || ctx.Err() != nil {
				t.Fatalf("accepted %d and said %v", n, err)
			}
			if errors.As(err, new(sinks.Unusable)) && strings.Contains(err.Error(), "client certificate") {
				return
			}
			t.Log(err)
		}
	})
	t.Run("TLS where none is spoken", func(t *testing.T) {
		plain := natstest.Start(t, natstest.Options{})
		c := good
		c.Servers = []string{strings.Replace(plain.URLs()[0], "nats://", "tls://", 1)}
		mustBe[sinks.Unusable](t, openSink(t, c), "does not speak TLS")
	})
}
