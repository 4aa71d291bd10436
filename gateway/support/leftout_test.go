package support

import (
	"strings"
	"testing"

	"weighpost/gateway/health"
	"weighpost/gateway/logged"
)

// known are attributes of the log that are taken out on purpose.
var known = map[string]bool{"person": true, "by": true, "confirmed_by": true, "name": true, "signed": true}

// TestEveryAttributeOfTheLogIsJudged: what the program logs is either kept or known to be taken out, and the messages that are held to
// quote people are still logged.
func TestEveryAttributeOfTheLogIsJudged(t *testing.T) {
	all, err := logged.In("../..")
	if err != nil {
		t.Fatal(err)
	}
	texts := map[string]bool{}
	for _, m := range all {
		texts[m.Text] = true
		for _, key := range m.Keys {
			if kept[key] == known[key] {
				t.Errorf("%s logs %q: is it fit for a bundle that is sent away? Put it among kept or known", m.Where, key)
			}
		}
	}
	for _, list := range logged.Spoken {
		for _, text := range list {
			texts[text] = true
		}
	}
	for msg := range personal {
		if !texts[msg] {
			t.Errorf("nothing logs %q any more", msg)
		}
	}
}

func TestWhatMayNotGoOutIsTakenOut(t *testing.T) {
	for line, want := range map[string]string{
		`time=2026-11-30T08:00:00Z level=WARN msg="an account is locked after attempts that failed" person=ada way=secret`: `time=2026-11-30T08:00:00Z level=WARN msg="an account is locked after attempts that failed" person="(left out)" way="(left out)"`,
		`<4>level=ERROR msg="recording is stopped" dir=/var/lib/weighpost error="no space"`:                                `level=ERROR msg="recording is stopped" dir=/var/lib/weighpost error="no space"`,
		`level=INFO msg="what was scanned for a run was not taken" balance=b-1 err="LOT-7 is no \"sample\""`:               `level=INFO msg="what was scanned for a run was not taken" balance=b-1 err="(left out)"`,
		`{"time":"x","level":"WARN","msg":"hello","newly":"LOT-7","sink":"lims"}`:                                          `level=WARN msg=hello newly="(left out)" sink=lims time=x`,
		`level=ERROR msg="Ada tried" code=signature-refused subject=ada "stands still for"=3s`:                             `level=ERROR msg="(left out)" code=signature-refused subject="(left out)" "stands still for"=3s`,
	} {
		if got, ok := lineOf(line); !ok || got != want {
			t.Errorf("%s\nbecomes %s\n wanted %s", line, got, want)
		}
	}
	for _, line := range []string{"  12.345 g", "Ada Lovelace", "sample LOT-7 on b-1", "msg=hello ada", `level="half`, "panic: LOT-7", `{"level":"x"}`} {
		if got, ok := lineOf(line); ok {
			t.Errorf("%q stays, as %q", line, got)
		}
	}
	for _, line := range []string{"SIGABRT: abort", "goroutine 34 [select, 2 minutes]:", "weighpost/gateway/journal.(*writer).run(0xc0001a2000)",
		"\t/src/gateway/journal/writer.go:120 +0x2a4", "created by weighpost/gateway/journal.Open in goroutine 1", "rax    0xca", "main.main()"} {
		if _, ok := lineOf(line); !ok {
			t.Errorf("%q is taken out", line)
		}
	}
	if got := withoutAddresses("mail to ada.l@seed-bank.example, or nobody@localhost"); got != "mail to (address), or nobody@localhost" {
		t.Errorf("%q", got)
	}
	c := withoutPeople(health.Condition{Code: health.SinkStopped, Subject: "lims", Sentence: "s", Consequences: []health.Condition{{Code: health.AccountLocked, Subject: "ada", Sentence: "Ada …"}}})
	if c.Subject != "lims" || c.Sentence != "s" || strings.Contains(strings.ToLower(c.Consequences[0].Subject+c.Consequences[0].Sentence), "ada") {
		t.Errorf("%+v", c)
	}
	if got := measured(`weighpost_condition{code="account-locked",severity="warning",subject="ada"} 1`); strings.Contains(got, "ada") {
		t.Error(got)
	}
	if got := measured(`weighpost_condition{code="port-lost",severity="error",subject="b-1"} 1`); !strings.Contains(got, "b-1") {
		t.Error(got)
	}
}

// TestLinesOfSystemdsJournal: fields as systemd.journal-fields(7) has them, as journalctl writes them as JSON.
func TestLinesOfSystemdsJournal(t *testing.T) {
	got := fromSystemd([]byte(`{"__REALTIME_TIMESTAMP":"1795773845500000","PRIORITY":"4","MESSAGE":"level=WARN msg=hello"}
{"MESSAGE":[1,2,255]}
{"MESSAGE":"goroutine 1 [running]:","__REALTIME_TIMESTAMP":"x"}
`))
	if got != "time=2026-11-27T10:04:05.5Z level=WARN msg=hello\ngoroutine 1 [running]:\n" {
		t.Errorf("%q", got)
	}
}
