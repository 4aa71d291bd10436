package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// entriesIn are the exact bytes of every entry of a closed journal.
func entriesIn(t *testing.T, dir string) (list [][]byte) {
	t.Helper()
	if err := journal.Scan(t.Context(), dir, 0, func(e record.Entry) error {
		list = append(list, bytes.Clone(e.JSON))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return list
}

func said(t *testing.T, args ...string) (out string, status int) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	status = run(args, streams{strings.NewReader(""), &stdout, &stderr})
	return stdout.String() + stderr.String(), status
}

// TestACorrectedClockLeavesEveryByteAndIsShownBesideTheStamp: without a daemon.
func TestACorrectedClockLeavesEveryByteAndIsShownBesideTheStamp(t *testing.T) {
	t.Parallel()
	flags, folder := actAt(t, func(http.ResponseWriter, *http.Request) { t.Error("the page was asked") })
	j, err := journal.Open(t.Context(), journal.Options{Dir: folder, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	for i := range 4 {
		if _, err := j.Append(t.Context(), &record.Lifecycle{Started: true, Stamp: clock.System{Zone: time.UTC}.Stamp(at.Add(time.Duration(i) * time.Minute))}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	before := entriesIn(t, folder)
	correct := func(more ...string) (string, int) {
		return said(t, append([]string{"journal", "correct-clock", "--config", flags.Config}, more...)...)
	}
	out, status := correct("--from", "2", "--to", "3", "--offset=-1h0m3.2s", "--bound", "500ms", "--reason", "daylight saving was set by hand")
	if want := "entry 5 says that 2 stamps, from 2026-11-25T10:01:00.000000Z to 2026-11-25T10:02:00.000000Z, are corrected by -3603.200000 s within 500ms\n"; status != 0 || out != want {
		t.Fatalf("%d %s", status, out)
	}
	after := entriesIn(t, folder)
	for i := range before {
		if !bytes.Equal(before[i], after[i]) {
			t.Errorf("entry %d was %s and is %s", i+1, before[i], after[i])
		}
	}
	var c record.ClockCorrected
	if err := json.Unmarshal(after[4], &c); err != nil || c.From != 2 || c.To != 3 || c.By.By != record.ActorHost || c.By.ID == "" ||
		c.Why != "daylight saving was set by hand" || c.Clock != "" {
		t.Errorf("%v %+v", err, c)
	}
	out, _ = said(t, "journal", "list", folder)
	if n := strings.Count(out, "corrected by entry 5)"); n != 2 || !strings.Contains(out, "2026-11-25T10:01:00.000000Z (2026-11-25T09:00:56.800000Z within 0.5 s, corrected by entry 5)") {
		t.Errorf("%d are shown as corrected:\n%s", n, out)
	}
	if out, status := correct("--from", "2", "--to", "2", "--offset", "1s", "--bound", "1s", "--reason", "the first correction was an hour too much", "--json"); status != 0 || !strings.Contains(out, `"seq":6`) {
		t.Errorf("%d %s", status, out)
	}
	if out, _ := said(t, "journal", "list", folder); strings.Count(out, "corrected by entry 6)") != 1 || strings.Count(out, "corrected by entry 5)") != 1 {
		t.Errorf("the newest does not count:\n%s", out)
	}
	for _, c := range []struct{ from, to, offset, bound, reason, want string }{
		{"3", "2", "1s", "1s", "x", "from 3 to 2 is no span of entries"}, {"1", "99", "1s", "1s", "x", "to is 99, and the journal ends with entry 6"},
		{"1", "2", "0s", "1s", "x", "offset is 0, which corrects nothing"}, {"1", "2", "3", "1s", "x", `--offset "3" is no length of time with its unit`},
		{"1", "2", "1s", "0s", "x", "bound is not above 0"}, {"1", "2", "1s", "1s", "", "the reason is missing"},
		{"1", "2", "1s", "1s", "a\x1bb", "cannot be seen"},
	} {
		out, status := correct("--from", c.from, "--to", c.to, "--offset="+c.offset, "--bound", c.bound, "--reason", c.reason)
		if status == 0 || !strings.Contains(out, c.want) {
			t.Errorf("%+v: %d %s", c, status, out)
		}
	}
	if n := len(entriesIn(t, folder)); n != 6 {
		t.Errorf("%d entries: what was refused left one", n)
	}
	if r, err := journal.Verify(t.Context(), folder, "", nil); err != nil || !r.Verified || r.Time.Corrections != 2 {
		t.Errorf("%v %s", err, r.Text())
	}
}

// TestACorrectionGoesThroughTheDaemonThatHoldsTheJournal: with what the API takes.
func TestACorrectionGoesThroughTheDaemonThatHoldsTheJournal(t *testing.T) {
	var asked string
	flags, folder := actAt(t, func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		asked = r.Method + " " + r.URL.Path
		if c, err := record.ParseClockCorrection(b); err != nil || c.From != 1 || c.Offset.String() != "-3.200000" || c.By.ID != "Ada" {
			t.Errorf("%s: %+v, %v", b, c, err)
		}
		fmt.Fprint(w, `{"entry":"north-lab/x/@/000007","seq":7,"stamps":1}`)
	})
	held(t, folder)
	out, status := said(t, "journal", "correct-clock", "--config", flags.Config, "--from", "1", "--to", "1", "--offset=-3.2s", "--bound", "500ms", "--reason", "flat battery", "--by", "Ada")
	if status != 0 || asked != "POST /api/v1/journal/clock-corrections" || !strings.HasPrefix(out, "entry 7 says that 1 stamps") {
		t.Errorf("%d %s: %s", status, asked, out)
	}
}
