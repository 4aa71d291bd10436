package config

import (
	"strings"
	"testing"
)

// TestOneCheckIsChangedInItsPlace: a check is told apart by its name, in the text and in what is said of a change, so that the comments of
// the others stay.
func TestOneCheckIsChangedInItsPlace(t *testing.T) {
	const before = "site: seed-bank\njournal: {folder: journal}\nchecks:\n# each morning\n- name: daily\n  use: one-weight # the ready-made one\n# once in a quarter\n- name: scatter\n  use: repeat-ten\nfitness:\n  schedule:\n  - check: daily\n    every: day # before the first weighing\n  - check: scatter\n    every: quarter\n"
	c, faults := Load("w.yaml", []byte(before))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	to := c.Form(false)
	to["checks"].([]any)[1].(map[string]any)["warn_at"] = "no"
	if _, err := Edit("w.yaml", []byte(before), c.Form(false), to); err == nil {
		t.Error("a mistake was written")
	}
	to = c.Form(false)
	to["checks"].([]any)[1].(map[string]any)["loads"] = []any{"100 g"}
	to["checks"] = append(to["checks"].([]any), map[string]any{"name": "edges", "use": "corners"})
	to["fitness"].(map[string]any)["schedule"].([]any)[1].(map[string]any)["every"] = "month"
	after, err := Edit("w.yaml", []byte(before), c.Form(false), to)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.NewReplacer("  use: repeat-ten\n", "  use: repeat-ten\n  loads: [\"100 g\"]\n- name: edges\n  use: corners\n", "quarter\n", "month\n").Replace(strings.Replace(before, "in a quarter\n", "in a q\n", 1))
	if want = strings.Replace(want, "in a q\n", "in a quarter\n", 1); string(after) != want {
		t.Errorf("%s\nwant\n%s", after, want)
	}
	next, _ := Load("w.yaml", after)
	said := strings.Join(Sentences(c, next, []string{"checks", "fitness"}), "; ")
	for _, text := range []string{`check scatter: loads was changed from [] to ["100 g"]`, "check edges was added"} {
		if !strings.Contains(said, text) {
			t.Errorf("%s\nhas no %q", said, text)
		}
	}
	if w := Rewritten(c, next); w[0].Path != "checks[scatter].loads" {
		t.Errorf("%+v", w)
	}
}
