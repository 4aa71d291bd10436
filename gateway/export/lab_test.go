package export_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/export"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// stampAt gives a checked stamp, n times 1.5 s after noon.
func stampAt(n int) record.Stamp {
	bound := record.Span(21 * time.Millisecond)
	return record.Stamp{UTC: record.UTC(noon.Add(time.Duration(n) * 1_500_000 * time.Microsecond)), Zone: "+01:00", Bound: &bound,
		Clock: record.ClockChecked, Sources: 3}
}

// weighing makes the n-th weighing of a seed bank.
func weighing(n int, digits, unit, sample string) *record.Weighing {
	since := record.UTC(noon)
	w := &record.Weighing{
		Balance: record.Balance{ID: fmt.Sprintf("b-%d", 11+n%3), Serial: "0047-112", Readability: "0.0001 g", Identity: "confirmed"},
		Value:   record.Value{Digits: digits, Unit: unit, PrintedUnit: unit, Kind: "net", Stability: "stable", Range: "in"},
		Frame:   []byte("N     " + digits + " " + unit + "\r\n"), Layout: "sha256:0", Trigger: "printed", Port: "/dev/ttyS0", Stamp: stampAt(n),
		Verdicts: []record.Verdict{{Rule: "minimum-weight", Pass: n%7 != 0, Limit: "0.0820 g"}},
		Fitness:  record.Fitness{State: "in service"}, Software: record.Software{Version: "test", Config: "sha256:1"},
	}
	w.Context.Person = &record.Learnt{ID: fmt.Sprintf("p-%02d", n%5), By: record.BySignedIn, Since: &since}
	if sample != "" {
		w.Context.Sample = &record.Learnt{ID: sample, By: record.ByScanned}
	}
	return w
}

// random makes digits as balances print them.
func random(r *rand.Rand) (digits, unit string) {
	scale := r.IntN(7)
	digits = fmt.Sprintf("%0*d", scale+1, r.Uint64N(10_000_000))
	if scale > 0 {
		digits = digits[:len(digits)-scale] + "." + digits[len(digits)-scale:]
	}
	return []string{"", "-", "+"}[r.IntN(3)] + digits, []string{"g", "mg", "kg", "ug", "[ct]"}[r.IntN(5)]
}

// lab makes a journal with bodies in it, and gives its folder. It is closed, with a checkpoint of all of it.
func lab(t testing.TB, bodies ...record.Body) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "journal")
	j, err := journal.Open(context.Background(), journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	for len(bodies) > 0 {
		n := min(len(bodies), 2000)
		if _, err := j.Append(context.Background(), bodies[:n]...); err != nil {
			t.Fatal(err)
		}
		bodies = bodies[n:]
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	journaltest.Verify(t, dir)
	return dir
}

func request(f export.Format) export.Request {
	return export.Request{Format: f, Made: noon.Add(time.Hour), Version: "test"}
}

// out exports a journal into memory.
func out(t testing.TB, dir string, r export.Request) ([]byte, export.Manifest) {
	t.Helper()
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	m, err := export.Write(context.Background(), &b, src, r)
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), m
}

// acts are one of each kind of entry that is no weighing, as they come in a lab.
func acts() []record.Body {
	p := func(id string) *record.Learnt { return &record.Learnt{ID: id, By: record.ByScanned} }
	s := stampAt(0)
	return []record.Body{
		&record.Lifecycle{Started: true, Software: record.Software{Version: "test", Config: "sha256:1"}, Balances: []record.Balance{{ID: "b-12", Serial: "0047-112"}}, Stamp: s},
		&record.Configured{From: "sha256:0", To: "sha256:1", Config: []byte(`{"site":"north-lab"}`), Changes: []string{"balances, b-12, capture: settled, and was printed"}, Stamp: s},
		&record.Unread{Balance: record.About{ID: "b-12"}, Frame: []byte("\x00\xffG?"), Reason: "no piece fits \"G?\"", Layout: "sha256:0", Port: "/dev/ttyS0", Stamp: s},
		&record.UnreadSummary{Balance: record.About{ID: "b-12"}, From: s, To: stampAt(40), Frames: 31, Bytes: 900, SHA256: "00", Sample: []byte("x"), Reason: "noise", Port: "/dev/ttyS0"},
		&record.PortChange{Balance: record.About{ID: "b-12"}, Port: "/dev/ttyS0", Why: "the cable was pulled", Times: 1, Stamp: s},
		&record.Gap{Balance: record.About{ID: "b-12"}, Readings: 7, From: s, To: stampAt(2), Why: "the disk was full"},
		&record.ContextChange{Balance: record.About{ID: "b-12"}, Before: record.Context{Sample: p("LOT-1002"), Person: p("p-07")},
			After: record.Context{Sample: p("LOT-1003"), Person: p("p-07"), Fields: map[string]string{"box": "B7"}}, Cause: "set", Where: "127.0.0.1", Stamp: s},
		&record.ContextChange{Balance: record.About{ID: "b-12"}, Cause: "refused", Why: "The sample is not known.", Where: "127.0.0.1", Stamp: s},
		&record.Command{Balance: record.About{ID: "b-12"}, Name: "tare", State: record.CommandAsked, Send: []byte("T\r\n"), Where: "127.0.0.1", Port: "/dev/ttyS0", Stamp: s},
		&record.ClockChange{From: "checked", State: "holdover", Why: "no server answers", Stamp: s},
		&record.Parked{Sink: "archive", Entry: 3, EntryID: "north-lab/x/b-12/000001", Why: "422: no such sample", Stamp: s},
		&record.SinkMoved{Sink: "archive", From: "folder /a", To: "folder /b", Cursor: "keep", Before: 1, After: 1, Stamp: s},
		&record.Refused{What: "PUT /api/v1/balances/b-1/context", Why: "The token is wrong.", Address: "127.0.0.1", Times: 3, By: record.Actor{ID: "unknown", By: record.ActorToken}, Stamp: s},
	}
}

// hostile are samples as a scanner of ill will, or of another country, sends them.
func hostile() []string {
	long := ""
	for len(long) < 300 {
		long += "Saatgut"
	}
	return []string{
		"=HYPERLINK(\"x\")", "+1-2", "@x", "-5", "a,b\"c", "two\r\nlines", "tab\there", "שלום 12", "زرع", "🌾 wheat", "日本", "µg Ω ß ĸ Ж", long[:300], "../../x", "</text>) Tj", "\u202Egnp", "trailing ", "'quoted", "e\u0301",
	}
}
