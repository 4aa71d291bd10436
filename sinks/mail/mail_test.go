package mail

import (
	"encoding/json"
	"testing"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// refusedSignIn is an entry that says that somebody could not sign in.
func refusedSignIn(login string) record.Entry {
	b, err := json.Marshal(map[string]any{"id": "north-lab/7qx3/@/000184", "kind": "sign-in-refused", "login": login, "way": "password", "times": 3,
		"stamp": map[string]any{"utc": "2026-11-29T10:04:05.000000Z"}})
	if err != nil {
		panic(err)
	}
	return record.Entry{Seq: 184, ID: "north-lab/7qx3/@/000184", Kind: record.KindSignInRefused, JSON: b}
}
