package tell

import (
	"testing"

	"weighpost/gateway/record"
)

// TestASignatureTellsNameTimeAndMeaning: 21 CFR 11.50(a) and (b): printed name, date and time, with the zone, and meaning, in every form that people
// read.
func TestASignatureTellsNameTimeAndMeaning(t *testing.T) {
	for zone, want := range map[string]string{
		`"zone":"Europe/Stockholm",`: "r-7qx3-000017, approved, by Cora Ek, as reviewer, on 2026-11-30 10:04:05 +01:00 (Europe/Stockholm), covers 13 entries",
		"":                           "r-7qx3-000017, approved, by Cora Ek, as reviewer, on 2026-11-30 10:04:05 +01:00, covers 13 entries",
	} {
		e := record.Entry{Kind: record.KindSignature, JSON: []byte(`{"schema":"weighpost.signature/1","id":"a/b/@/000001","seq":1,"run":{"id":"r-7qx3-000017"},"meaning":"approved",` +
			`"covers":{"entries":13,"last":12,"root":"sha256:00"},"name":"Cora Ek","role":"reviewer",` + zone + `"stamp":{"utc":"2026-11-30T09:04:05.123456Z","zone":"+01:00"}}`)}
		if got := Line(e); got != want {
			t.Errorf("it tells %q", got)
		}
	}
}
