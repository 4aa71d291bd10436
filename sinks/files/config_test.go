package files

import (
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func TestConfigFaults(t *testing.T) {
	folder := t.TempDir()
	for text, want := range map[string]string{
		"format: json":                                            "folder: the folder is missing; allowed: an absolute path, such as /srv/weighings",
		"folder: weighings":                                       `folder: "weighings" is not absolute; the daemon does not run in this folder`,
		"folder: FOLDER\nformat: xml":                             `format: "xml"`,
		"folder: FOLDER\nspreadsheet: true":                       "spreadsheet: is only for csv",
		"folder: FOLDER\nname: \"{day}.json\"":                    "name: does not tell entries apart",
		"folder: FOLDER\nname: \"../{id}.json\"":                  `name: has the part ".."`,
		"folder: FOLDER\nname: \"/{id}.json\"":                    "name: has an empty part",
		"folder: FOLDER\nname: \"{ident}.json\"":                  `name: names the field "ident", which there is not`,
		"folder: FOLDER\nname: \"{id\"":                           `name: opens a brace before "id" and does not close it`,
		"folder: FOLDER\nname: \"a:b-{id}.json\"":                 `name: holds ':', which not every file system takes`,
		"folder: FOLDER\nname: \"_checkpoints/{id}.json\"":        "name: begins with _checkpoints",
		"folder: FOLDER\nformat: csv\nname: \"{id}.csv\"":         "name: would make a file for each line",
		"folder: FOLDER\nformat: ndjson\nname: \"{number}.json\"": "name: would make a file for each line",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(strings.ReplaceAll(text, "FOLDER", folder)), c)
		report := doc.Report()
		c.Check(report)
		all := append(faults, report.Faults()...)
		if len(all) != 1 || !strings.Contains(all.Error(), want) {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
	good := Default()
	doc, faults := strict.Load("sink.yaml", []byte("folder: "+folder+"\nformat: csv\nspreadsheet: true\nname: \"{year}/{balance}.csv\"\n"), good)
	report := doc.Report()
	good.Check(report)
	if all := append(faults, report.Faults()...); len(all) > 0 {
		t.Error(all)
	}
}

// TestNoNameLeavesItsPlace renders hostile entries with every field, alone and joined to text.
func TestNoNameLeavesItsPlace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.SampledFrom(sinktest.Hostile), rapid.String()).Draw(t, "text")
		before := rapid.StringMatching(`[A-Za-z]{0,3}`).Draw(t, "before")
		e := sinktest.WithSamples([]string{text}, 1)[0]
		for field := range fields {
			for _, name := range []string{before + "{" + field + "}", before + "{" + field + "}.json", "{sample}{sample}{sample}{" + field + "}/{" + field + "}"} {
				tm, err := parseTemplate(name)
				if err != nil {
					t.Fatal(err)
				}
				got, err := tm.render(e)
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
	tm, err := parseTemplate("{day}/{local_day}/{hour}/{month}/{year}/{incarnation}-{number}/{kind}-{seq}-{sample}")
	if err != nil {
		t.Fatal(err)
	}
	got, err := tm.render(e)
	want := "2026-11-25/2026-11-26/2026-11-25T23/2026-11/2026/i-000009/unread-summary-000000000009-%none"
	if got != want || err != nil {
		t.Errorf("got %s, want %s (%v)", got, want, err)
	}
}
