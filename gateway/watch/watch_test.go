package watch

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

// instead is what this test program does in place of tests, where an environment variable asks for it; nil: nothing.
var instead func()

func TestMain(m *testing.M) {
	if instead != nil {
		instead()
	}
	goleak.VerifyTestMain(m)
}

// hostile are texts that do something to a terminal, or to whoever reads it: sequences of ECMA-48 in both their forms, a title,
// a clipboard, marks that turn the direction of writing (Unicode, UAX 9), invisible ones, broken UTF-8.
var hostile = []string{
	"\x1b[2J\x1b[H", "\x9b31m", "\u009b31m", "\x1b]0;title\x07", "\x1b]52;c;AAAA\x1b\\", "\x90q\x9c", "a\rb", "a\nb", "a\bb", "\x00\x7f",
	"12.3450\u202e0543", "\u2066x\u2069", "\u200b\u200f\ufeff", "\u2028\u2029", "\xff\xfe\xc3", "\U000e0041", "\ue000", "\u0085",
	"\x0e\x0f", "\x1b(0", "\x05", "lot\\x41",
}

// shown fails where a line holds anything that is not simply shown.
func shown(t *testing.T, line string) {
	t.Helper()
	text, ends := strings.CutSuffix(line, "\n")
	if !ends {
		t.Errorf("%q has no line end", line)
	}
	for _, r := range text {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			t.Errorf("%U reaches the terminal in %q", r, line)
		}
	}
}

func TestNothingHostileReachesTheTerminal(t *testing.T) {
	for _, h := range hostile {
		for _, style := range []Style{{}, {JSON: true}, {Hex: true}, {Control: true}, {Hex: true, Control: true}} {
			for _, kind := range []string{Reading, Recorded, Unread, Frame, Connected, Away, Condition, Cleared} {
				var b bytes.Buffer
				e := Event{Event: kind, UTC: record.UTC(time.Now()), Balance: h, ID: h, Person: h, Sample: h, Why: h, Bytes: []byte(h),
					About: h, Code: h, Subject: h, Severity: h, Sentence: h, Remedy: h,
					Value: &record.Value{Digits: h, Unit: h, PrintedUnit: h, Kind: h, Stability: h, Range: h}}
				if err := NewPrinter(&b, style).Print(e); err != nil {
					t.Fatal(err)
				}
				shown(t, b.String())
				if style.JSON {
					var back Event
					if err := json.Unmarshal(b.Bytes(), &back); err != nil || !bytes.Equal(back.Bytes, []byte(h)) {
						t.Errorf("%v: %s", err, b.String())
					}
					if back.Sample != strings.ToValidUTF8(h, "\ufffd") && strings.ToValidUTF8(h, "") == h {
						t.Errorf("%q comes back as %q", h, back.Sample)
					}
				}
			}
		}
	}
}

func FuzzHarmless(f *testing.F) {
	for _, h := range hostile {
		f.Add(h)
	}
	f.Fuzz(func(t *testing.T, s string) {
		shown(t, Harmless(s)+"\n")
		shown(t, frame.Visible([]byte(s))+"\n")
		shown(t, HarmlessJSON(strings.ToValidUTF8(s, "?"))+"\n")
	})
}

func TestEscapesAreToldFromWhatWasSent(t *testing.T) {
	for _, x := range [][2]string{
		{"Saatgut µg „α“ 種子", "Saatgut µg „α“ 種子"}, {"\x1b[2J", `\x1b[2J`}, {`\x1b[2J`, `\\x1b[2J`}, {"\u202e", `\u202e`},
		{"\xff", `\xff`}, {"\U000e0041", `\U000e0041`}, {"", ""},
	} {
		if got := Harmless(x[0]); got != x[1] {
			t.Errorf("%q is shown as %q", x[0], got)
		}
	}
	if got, want := frame.Visible([]byte("\x02 12.3450 g\x03\r\n<\xb5\x7f\x00")), "<STX> 12.3450 g<ETX><CR><LF><3c><b5><DEL><NUL>"; got != want {
		t.Errorf("shown as %q", got)
	}
	if got := Hex([]byte("g\r\n\xff")); got != "67 0d 0a ff" {
		t.Errorf("shown as %q", got)
	}
}

func TestLines(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 15, 4, 5, 123_456_000, time.UTC))
	value := &record.Value{Digits: "12.3450", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}
	for _, x := range []struct {
		e    Event
		want string
	}{
		{Event{Event: Reading, Balance: "b-1", Value: value}, "b-1  12.3450 g  net  stable"},
		{Event{Event: Recorded, Balance: "b-1", Value: value, ID: "s/i/b-1/000184", Sample: "LOT-1003"},
			"b-1  12.3450 g  net  stable  recorded s/i/b-1/000184  sample LOT-1003  no person"},
		{Event{Event: Recorded, Balance: "b-1", Value: value, ID: "s/i/b-1/000185", Person: "p-07"},
			"b-1  12.3450 g  net  stable  recorded s/i/b-1/000185  no sample  person p-07"},
		{Event{Event: Reading, Balance: "b-1", Value: &record.Value{Range: "over", Kind: "unknown", Stability: "unknown"}}, "b-1  over range"},
		{Event{Event: Unread, Balance: "b-1", Why: "no line fits"}, "b-1  unread: no line fits"},
		{Event{Event: Frame, Bytes: []byte("  12.3450 g\r\n")}, "  12.3450 g"},
		{Event{Event: Condition, Code: "port-missing", Subject: "b-1", Severity: "error", Sentence: "Gone.", Remedy: "Plug it in."}, "!! error: Gone. Plug it in."},
		{Event{Event: Cleared, Code: "port-missing", Subject: "b-1"}, "-- over: port-missing b-1"},
		{Event{Event: Away, Why: "it is gone"}, "-- away: it is gone"},
	} {
		x.e.UTC = at
		var b bytes.Buffer
		if err := NewPrinter(&b, Style{}).Print(x.e); err != nil {
			t.Fatal(err)
		}
		if want := "2026-11-25 15:04:05.123  " + x.want + "\n"; b.String() != want {
			t.Errorf("got %qwant %q", b.String(), want)
		}
	}
}

func TestAReaderThatHasGoneEndsTheWatching(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	defer w.Close()
	if err := NewPrinter(w, Style{}).Print(Event{Event: Away}); !errors.Is(err, ErrGone) {
		t.Errorf("to a pipe that nobody reads: %v", err)
	}
	if err := NewPrinter(failing{syscall.ENOSPC}, Style{}).Print(Event{Event: Away}); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("to a full disk: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// TestLinesOfAPortLeaveNothingOut: every byte is shown once, whatever the line ends and however the stream is cut.
func TestLinesOfAPortLeaveNothingOut(t *testing.T) {
	stream := "a\r\nb\nc\rd\r\r\n\n" + strings.Repeat("x", 600) + "\r\nend"
	want := []string{"a\r\n", "b\n", "c\r", "d\r", "\r\n", "\n", strings.Repeat("x", 256), strings.Repeat("x", 256),
		strings.Repeat("x", 88) + "\r\n", "end"}
	for size := 1; size < 20; size++ {
		var l lines
		var got []string
		give := func(b []byte) { got = append(got, string(b)) }
		for in := strings.NewReader(stream); ; {
			buf := make([]byte, size)
			n, err := in.Read(buf)
			if err == io.EOF {
				break
			}
			l.add(buf[:n], give)
		}
		l.end(give)
		if strings.Join(got, "|") != strings.Join(want, "|") {
			t.Fatalf("in pieces of %d: %q", size, got)
		}
	}
}
