package mail

import (
	"encoding/json"
	"errors"
	"testing"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

// refusedSignIn is an entry that says that somebody could not sign in.
func refusedSignIn(login string) record.Entry {
	b, err := json.Marshal(map[string]any{"id": "north-lab/7qx3/@/000184", "kind": "sign-in-refused", "login": login, "way": "password", "times": 3,
		"stamp": map[string]any{"utc": "2026-11-29T10:04:05.000000Z"}})
	if err != nil {
		panic(err)
	}
	return record.Entry{Seq: 184, ID: "north-lab/7qx3/@/000184", Kind: record.KindSignInRefused, JSON: b}
}

func secret(t *testing.T, ref string) strict.Secret {
	t.Helper()
	s, err := strict.SecretFrom(ref)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func openSink(t *testing.T, c Config, folder string) *Sink {
	t.Helper()
	r := strict.NewReport("sink")
	if c.Check(r); len(r.Faults()) > 0 {
		t.Fatal(r.Faults())
	}
	s := New(c, "alarms", sinks.Env{Site: "north-lab", Folder: folder})
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func outcome(err error) string {
	var r sinks.Refused
	var u sinks.Unusable
	var b sinks.Busy
	switch {
	case err == nil:
		return "accepted"
	case errors.As(err, &r):
		return "refused"
	case errors.As(err, &u):
		return "stopped"
	case errors.As(err, &b):
		return "busy"
	}
	return "again"
}
