package screens

import (
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
)

var imported = regexp.MustCompile(`from "(\./[a-z-]+\.js)"`)

// TestAScriptHasOneAddress: the one that a page names is the one that scripts import each other by, so that none runs twice.
func TestAScriptHasOneAddress(t *testing.T) {
	names, err := fs.Glob(files, "assets/*.js")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range imported.FindAllStringSubmatch(string(text), -1) {
			found++
			file := strings.TrimPrefix(m[1], "./")
			address, err := asset(file)
			if err != nil || address != "/assets/"+file {
				t.Errorf("%s imports %s, which pages have from %q (%v)", name, m[1], address, err)
			}
		}
	}
	if found < 10 {
		t.Errorf("only %d imports found", found)
	}
}

// TestScriptsWriteTimesAsPagesDo: none writes one by the browser's own zone and habits, and each page says weighpost's zone, and
// what keeps from recording by the console's own list.
func TestScriptsWriteTimesAsPagesDo(t *testing.T) {
	names, _ := fs.Glob(files, "assets/*.js")
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"toLocale", "getHours", "getTimezoneOffset", "readings-not-recorded", "recording-stopped"} {
			if strings.Contains(string(text), word) {
				t.Errorf("%s holds %s", name, word)
			}
		}
	}
	all, one := console.Stoppers()
	for _, c := range [][]string{all, one} {
		if len(c) == 0 || slices.Contains(c, "") {
			t.Fatalf("%q", c)
		}
	}
	_, body := newLab(t, Deps{}).get(t, "/", as(rights.Operator))
	for _, want := range []string{`data-zone="`, `data-stops-all="` + strings.Join(all, " ") + `"`, `data-stops-one="` + strings.Join(one, " ") + `"`} {
		if !strings.Contains(body, want) {
			t.Errorf("a page does not say %s", want)
		}
	}
}

// TestWhatAFormHoldsNeverComesIntoAnAddress: each form that a script sends would be posted, where the script is not there yet.
func TestWhatAFormHoldsNeverComesIntoAnAddress(t *testing.T) {
	names, _ := fs.Glob(files, "templates/*.html")
	forms := 0
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, form := range strings.Split(string(text), "<form")[1:] {
			tag, _, _ := strings.Cut(form, "\n")
			if before, _, sent := strings.Cut(tag, "data-send="); sent {
				forms++
				if !strings.Contains(before, `method="post"`) {
					t.Errorf("%s: %.80s", name, tag)
				}
			}
		}
	}
	if forms < 20 {
		t.Errorf("only %d forms found", forms)
	}
}
