package index

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// entry makes an entry of JSON that lacks its head.
func entry(t testing.TB, kind record.Kind, seq uint64, rest string) record.Entry {
	t.Helper()
	raw := fmt.Sprintf(`{"schema":%q,"id":"seed-bank/7qx3/@/%06d","seq":%d,"site":"seed-bank",%s}`, kind.Schema(), seq, seq, rest)
	e, err := record.ParseEntry([]byte(raw))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func sample(t testing.TB) record.Entry {
	return entry(t, record.KindWeighing, 7, `"balance":{"id":"b-12","place":"Saatgutraum Süd"},
	  "value":{"digits":"12.3450","unit":"g"},"frame":"`+strings.Repeat("QUJD", 20)+`","stamp":{"utc":"2026-11-25T10:04:05.123456Z","clock":"unchecked"},
	  "context":{"person":{"id":"p-07","by":"scanned"},"sample":{"id":"LOT-1003/A","by":"sent"},"lot":{"id":"1003"},
	  "method":{"id":"TSW"},"run":{"id":"r-1"},"fields":{"note":"dry \"husks\" \u00e9pi"}}`)
}

func TestFilterMatches(t *testing.T) {
	e := sample(t)
	for _, c := range []struct {
		query string
		want  bool
	}{
		{"", true}, {"kind=weighing", true}, {"kind=unread,weighing", true}, {"kind=unread", false},
		{"balance=b-12", true}, {"balance=B-12", false}, {"balance=b-1", false},
		{"person=p-07", true}, {"person=scanned", false}, {"sample=LOT-1003/A", true}, {"sample=LOT", false},
		{"lot=1003", true}, {"lot=LOT-1003/A", false}, {"method=TSW", true}, {"run=r-1", true}, {"run=r", false},
		{"clock=unchecked", true}, {"clock=checked", false}, {"clock=holdover", false},
		{"from=2026-11-25", true}, {"to=2026-11-25", true}, {"to=2026-11-24", false}, {"from=2026-11-26", false},
		{"from=2026-11-25T10:04:05.123456Z", true}, {"from=2026-11-25T10:04:05.123457Z", false},
		{"to=2026-11-25T10:04:05.123456Z", false}, {"to=2026-11-25T10:04:05.123457Z", true},
		{"from=2026-11-25T10:04:05.1234559Z", true}, {"from=2026-11-25T10:04:05.1234561Z", false},
		{"from=2026-11-25T11:04:05%2B01:00", true}, {"from=2026-11-25T11:04:06%2B01:00", false},
		{"after=6", true}, {"after=7", false}, {"before=8", true}, {"before=7", false},
		{"text=12.3450", true}, {"text=12.345", false}, {"text=12.3*", true}, {"text=tsw*", true}, {"text=12.34*", true}, {"text=345", false},
		{"text=saatgutraum", true}, {"text=SÜD+sud", true}, {"text=su\u0308d", true}, {"text=süden", false}, {"text=saat*", true}, {"text=saat", false},
		{"text=husks+1003", true}, {"text=husks+1004", false}, {"text=%22husks%22", true}, {"text=EPI", true},
		{"text=qujdqujd*", false}, {"text=weighpost", false}, {"text=tsw&balance=b-12", true}, {"text=tsw&balance=b-13", false},
	} {
		v, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		f, err := ParseQuery(v)
		if err != nil {
			t.Errorf("%s: %v", c.query, err)
		} else if got := f.Match(e); got != c.want {
			t.Errorf("%s: matches is %v (%s)", c.query, got, &f)
		}
	}
}

func TestFilterFindsThoseWhoAct(t *testing.T) {
	for name, rest := range map[string]string{
		"by":           `"by":{"id":"p-07","by":"token"},"stamp":{"utc":"2026-11-25T10:04:05Z"}`,
		"confirmed by": `"by":{"id":"p-01"},"confirmed_by":{"id":"p-07"}`,
		"signed out":   `"before":{"person":{"id":"p-07"}},"after":{"person":null}`,
		"signed in":    `"before":{"person":null},"after":{"person":{"id":"p-07"}}`,
	} {
		e := entry(t, record.KindContextChanged, 3, rest)
		if f := (Filter{Person: "p-07"}); !f.Match(e) {
			t.Errorf("%s: the person is not found", name)
		}
	}
	e := entry(t, record.KindGap, 3, `"from":{"utc":"2026-11-25T10:00:00Z"},"to":{"utc":"2026-11-25T11:00:00Z"}`)
	if got := FactsOf(e).Time; got != time.Date(2026, 11, 25, 11, 0, 0, 0, time.UTC) {
		t.Errorf("the time of a span is %s, not its end", got)
	}
	for rest, want := range map[string]bool{
		`"from":{"clock":"unchecked"},"to":{"clock":"checked"}`: false, `"from":{"clock":"checked"},"to":{"clock":"unchecked"}`: true,
		`"clock":"unchecked","stamp":{"clock":"checked"}`: false, `"stamp":{"clock":"unchecked"}`: true,
	} {
		if f := (Filter{Clock: record.ClockUnchecked}); f.Match(entry(t, record.KindGap, 3, rest)) != want {
			t.Errorf("%s: found is %v", rest, !want)
		}
	}
	if f := (Filter{To: time.Now()}); f.Match(entry(t, record.KindConfigured, 3, `"to":"sha256:00"`)) {
		t.Error("an entry without a time is found by time")
	}
}

func TestFilterRefuses(t *testing.T) {
	for query, want := range map[string]string{
		"kind=weihging":                       `kind is "weihging": there is no such kind of entry`,
		"clock=wrong":                         `clock is "wrong": it is checked, holdover or unchecked`,
		"colour=red":                          `"colour" is unknown: there are from, to,`,
		"from=yesterday":                      `from is "yesterday": write a date`,
		"from=%00":                            `from is "\x00": write a date`,
		"from=2026-11-25T10:04:05%2B24:00":    "from is",
		"from=2026-11-26&to=2026-11-24":       "is not before",
		"after=-1":                            `after is "-1"`,
		"after=9223372036854775808":           "after is",
		"after=7&before=8":                    "there is no entry after 7 and before 8",
		"text=%22*()%22":                      "holds no word",
		"balance=a&balance=b":                 "balance is given 2 times",
		"text=" + strings.Repeat("a", 1025):   "text has 1025 bytes",
		"person=" + strings.Repeat("a", 1025): "person has 1025 bytes",
		"text=12*":                            `every word that begins with "12"`,
		"text=" + wordsOf(33):                 "text holds 33 words",
	} {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseQuery(v); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60s: %v", query, err)
		}
	}
}

func wordsOf(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "w%d+", i)
	}
	return b.String()
}

func TestFlagsAndQueryAgree(t *testing.T) {
	flags := Flags{From: "2026-11-25", To: "2026-11-25", Kind: []string{"weighing", "result"}, Balance: "b-12", Person: "p", Sample: "s",
		Lot: "l", Method: "m", Run: "r", Text: "a bcd*", Clock: "holdover", After: 3, Before: 99}
	a, err := flags.Filter()
	if err != nil {
		t.Fatal(err)
	}
	v := url.Values{}
	b, err := json.Marshal(flags)
	if err != nil {
		t.Fatal(err)
	}
	var raw map[string]any
	if err := json.Unmarshal(b, &raw); err != nil {
		t.Fatal(err)
	}
	for name, value := range raw {
		name = strings.ToLower(name)
		if list, ok := value.([]any); ok {
			for _, one := range list {
				v.Add(name, fmt.Sprint(one))
			}
			continue
		}
		v.Set(name, fmt.Sprint(value))
	}
	if len(v) != len(Names) {
		t.Errorf("flags have %d names, queries %d", len(v), len(Names))
	}
	q, err := ParseQuery(v)
	if err != nil || a.String() != q.String() {
		t.Errorf("flags give %s, the query %s (%v)", &a, &q, err)
	}
	const want = `entries with kind result or weighing, balance "b-12", person "p", sample "s", lot "l", method "m", run "r", clock "holdover", ` +
		`text "a bcd*", stamped at or after 2026-11-25T00:00:00Z, stamped before 2026-11-26T00:00:00Z, after entry 3, before entry 99`
	if a.String() != want {
		t.Errorf("it says %s", &a)
	}
}

func TestWords(t *testing.T) {
	for text, want := range map[string]string{
		"b-12 weighs 12.3450 g.":           "b 12 weighs 12.3450 g",
		"10.1.2.3:502, 3,5 and 4,":         "10.1.2.3 502 3,5 and 4",
		"Straße STRASSE ﬁne µg Ⅻ":          "strasse strasse fine μg xii",
		"naïve nai\u0308ve":                "naive naive",
		"種子bank1":                          "種 子 bank1",
		"a\x00b\xffc":                      "a b c",
		"":                                 "",
		strings.Repeat("x", 200) + " y":    strings.Repeat("x", 64) + " y",
		"NEAR(a b) OR \"c\" * -d ^e f:g":   "near a b or c d e f g",
		strings.Repeat("é", 70) + "\u00e9": strings.Repeat("e", 64),
	} {
		var got []string
		eachWord([]byte(text), func(word []byte, _ byte) { got = append(got, string(word)) })
		if strings.Join(got, " ") != want {
			t.Errorf("%q: %q", text, got)
		}
	}
}

// FuzzText: whatever text is looked for, it is taken or refused, and an entry that holds it is found.
func FuzzText(f *testing.F) {
	for _, s := range []string{"a", "\"", "a* b*", "NEAR(a,b)", "x' OR 1=1 --", "\x00", "ﷺ", "İi̇", "ΐ", "ß*", strings.Repeat("ab ", 400)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		filter := Filter{Text: text}
		if filter.Validate() != nil {
			return
		}
		b, err := json.Marshal(text)
		if err != nil {
			t.Fatal(err)
		}
		if len(text) > longestBare {
			return
		}
		if e := entry(t, record.KindRefused, 1, `"why":`+string(b)); !filter.Match(e) {
			t.Errorf("an entry that says %q is not found by it: %q", text, fmt.Sprint(wanted(text)))
		}
	})
}
