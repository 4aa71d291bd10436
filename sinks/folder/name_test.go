package folder

import (
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// TestNoNameLeavesItsPlace renders hostile entries with every field, alone and joined to text.
func TestNoNameLeavesItsPlace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.SampledFrom(sinktest.Hostile), rapid.String()).Draw(t, "text")
		before := rapid.StringMatching(`[A-Za-z]{0,3}`).Draw(t, "before")
		e := sinktest.WithSamples([]string{text}, 1)[0]
		for field := range fields {
			for _, name := range []string{before + "{" + field + "}", before + "{" + field + "}.json", "{sample}{sample}{sample}{" + field + "}/{" + field + "}"} {
				tm, err := ParseName(name)
				if err != nil {
					t.Fatal(err)
				}
				got, err := tm.Render(e)
				if err != nil {
					t.Fatal(err)
				}
				for element := range strings.SplitSeq(got, "/") {
					if len(element) > maxElement || device(element) || strings.Trim(element, ".") != element || !filepath.IsLocal(element) {
						t.Fatalf("%q of %q became %q", name, text, got)
					}
				}
			}
		}
	})
}

// device knows Windows' device names by the list of its naming rules (from memory), apart from the code under test.
func device(element string) bool {
	stem, _, _ := strings.Cut(strings.ToLower(element), ".")
	return strings.Contains(" con prn aux nul com0 com1 com2 com3 com4 com5 com6 com7 com8 com9 lpt0 lpt1 lpt2 lpt3 lpt4 lpt5 lpt6 lpt7 lpt8 lpt9 ", " "+stem+" ")
}

func TestDaysAreUTCOrThePlaces(t *testing.T) {
	e := record.Entry{Kind: record.KindUnreadSummary, JSON: []byte(`{"id":"s/i/@/000009","seq":9,"site":"s","balance":{"id":"b"},` +
		`"to":{"utc":"2026-11-25T23:30:00.000000Z","zone":"+01:00"}}`)}
	tm, err := ParseName("{day}/{local_day}/{hour}/{month}/{year}/{incarnation}-{number}/{kind}-{seq}-{sample}")
	if err != nil {
		t.Fatal(err)
	}
	got, err := tm.Render(e)
	want := "2026-11-25/2026-11-26/2026-11-25T23/2026-11/2026/i-000009/unread-summary-000000000009-%none"
	if got != want || err != nil {
		t.Errorf("got %s, want %s (%v)", got, want, err)
	}
}

// TestNamesAreTheSameHoweverTheEntryIsWritten: read in pieces and read whole by encoding/json, and what cannot be read is refused.
func TestNamesAreTheSameHoweverTheEntryIsWritten(t *testing.T) {
	const every = "{id}/{site}/{incarnation}-{number}/{balance}/{seq}-{kind}/{sample}-{person}/{method}-{run}-{lot}/{hour}/{local_day}"
	tm, err := ParseName(every)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range sinktest.Weighings(200, 5) {
		name, err := tm.Render(e)
		whole := e
		whole.JSON = append([]byte(`{"Odd":0,`), e.JSON[1:]...) // a name that makes it be read whole
		if again, err2 := tm.Render(whole); again != name || err != nil || err2 != nil {
			t.Fatalf("%s and %s: %v, %v", name, again, err, err2)
		}
	}
	for _, bad := range []string{`{`, `{"id":1}`, `{"id":"a","stamp":{"utc":"yesterday"}}`, `{"seq":"1"}`, `{"context":[]}`, `{"site":2}`} {
		if name, err := tm.Render(record.Entry{JSON: []byte(bad)}); err == nil {
			t.Errorf("%s has the name %s", bad, name)
		}
	}
}

// TestAReportHasItsNumberForAName, which tells files of reports apart, and no others.
func TestAReportHasItsNumberForAName(t *testing.T) {
	tm, err := ParseName("{day}/{report}")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{`{"id":"s/i/@/000009","stamp":{"utc":"2026-11-25T23:30:00.000000Z"},"report":"rep-i-000004"}`: "2026-11-25/rep-i-000004",
		`{"id":"s/i/b/000009","stamp":{"utc":"2026-11-25T23:30:00.000000Z"}}`: "2026-11-25/%none", `{"Odd":0,"stamp":{"utc":"2026-11-25T23:30:00.000000Z"},"report":"../rep"}`: "2026-11-25/%2E.%2Frep"} {
		if got, err := tm.Render(record.Entry{Kind: record.KindReportIssued, JSON: []byte(text)}); got != want || err != nil {
			t.Errorf("got %s, want %s (%v)", got, want, err)
		}
	}
	for name, want := range map[string]bool{format.NameReport: true, format.NameJSON: false} {
		if tm.TellsApart(&format.Choice{Format: name}) != want {
			t.Errorf("format %s: %v", name, !want)
		}
	}
}
