package gateway

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// streamLayout is the layout of a recorded stream, or nil.
func streamLayout(t *testing.T, name string) *layout.Layout {
	t.Helper()
	for _, path := range []string{"../testdata/streams/" + name + ".layout.yaml", "../configs/layouts/" + name + ".yaml"} {
		if text, err := os.ReadFile(path); err == nil {
			l, err := layout.Parse(path, text)
			if err != nil {
				t.Fatal(err)
			}
			return l
		}
	}
	return nil
}

// TestFramesReadAnewReadAsIsKnownOfThem: each frame of the recorded streams, by itself, reads as whoever printed it knew it to be, or is refused.
func TestFramesReadAnewReadAsIsKnownOfThem(t *testing.T) {
	paths, err := filepath.Glob("../testdata/streams/*.readings.ndjson")
	if err != nil || len(paths) < 28 {
		t.Fatalf("%d recorded streams, %v", len(paths), err)
	}
	read, refused := 0, 0
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".readings.ndjson")
		l := streamLayout(t, name)
		if l == nil {
			t.Fatalf("%s has no layout", name)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n"))[1:] {
			var want struct {
				N     int
				Frame []byte
				Value *record.Value
			}
			if err := json.Unmarshal(line, &want); err != nil {
				t.Fatal(err)
			}
			w := &record.Weighing{Frame: want.Frame}
			w.ID = fmt.Sprintf("%s %d", name, want.N)
			got, err := readAnew(w, l)
			usable := want.Value != nil && want.Value.Range == "in" && want.Value.Digits != "" && want.Value.Unit != "" && want.Value.Stability != "unstable"
			var not *record.NotDone
			switch {
			case usable && (err != nil || got != *want.Value):
				t.Errorf("%s, %q: %+v, %v; want %+v", w.ID, want.Frame, got, err, *want.Value)
			case !usable && (!errors.As(err, &not) || got != record.Value{}):
				t.Errorf("%s, %q: %+v, %v; want it refused", w.ID, want.Frame, got, err)
			case usable:
				read++
			default:
				refused++
			}
		}
	}
	t.Logf("%d frames read as known, %d refused", read, refused)
	if read < 100 || refused < 20 {
		t.Error("that shows little")
	}
}

const asGrams = "about: Grams\nframe:\n  ends: [\"\\r\\n\"]\nline: \"{weight} {unit}\"\n"

// TestWhatCannotBeMeantIsNotReadAnew: a weight beyond the capacity, one that is no multiple of the readability, and bytes of two frames.
func TestWhatCannotBeMeantIsNotReadAnew(t *testing.T) {
	l, err := layout.Parse("l", []byte(asGrams))
	if err != nil {
		t.Fatal(err)
	}
	for frame, why := range map[string]string{
		"12.3450 g\r\n":              "",
		"250.0000 g\r\n":             "beyond the capacity of the balance, 220 g",
		"12.34505 g\r\n":             "no multiple of the readability of the balance, 0.0001 g",
		"12.3450 g\r\n12.3451 g\r\n": "are 2 frames, and not one",
		"":                           "are 0 frames, and not one",
		"12.3450\r\n":                "cannot be read",
		"12.3450 %\r\n":              "which is no mass that a run can work with",
		"seed 12.3450 g\r\n":         "cannot be read",
	} {
		w := &record.Weighing{Frame: []byte(frame), Balance: record.Balance{ID: "b-1", Readability: "0.0001 g", Capacity: "220 g"}}
		v, err := readAnew(w, l)
		switch {
		case why == "" && (err != nil || v.Digits != "12.3450" || v.Unit != "g"):
			t.Errorf("%q: %+v, %v", frame, v, err)
		case why != "" && (err == nil || !strings.Contains(err.Error(), why)):
			t.Errorf("%q: %+v, %v; want %q", frame, v, err, why)
		}
	}
}

// inForce is the layouts of a configuration.
type inForce struct{ texts, balances map[string]string }

func (c inForce) LayoutTexts() map[string]string    { return c.texts }
func (c inForce) BalanceLayouts() map[string]string { return c.balances }

// TestTheLayoutsToChooseAmong: those in force first, each once, with the balances that have or had it, and no more than can be looked at.
func TestTheLayoutsToChooseAmong(t *testing.T) {
	j := journaltest.Open(t, journal.Options{Dir: t.TempDir()})
	configured := func(refused string, layouts map[string]string, balances map[string]string) {
		t.Helper()
		if _, err := j.Append(t.Context(), &record.Configured{To: "sha256:c", Changes: []string{}, Layouts: layouts, BalanceLayouts: balances, Refused: refused}); err != nil {
			t.Fatal(err)
		}
	}
	configured("", map[string]string{"sha256:1": "one", "sha256:2": "two"}, map[string]string{"b-1": "sha256:1", "b-9": "sha256:2"})
	configured("it has a mistake", map[string]string{"sha256:3": "never in use"}, nil)
	configured("", map[string]string{"sha256:4": "four"}, map[string]string{"b-1": "sha256:4", "b-2": "sha256:4"})
	now := inForce{map[string]string{"sha256:2": "two"}, map[string]string{"b-1": "sha256:2"}}
	listed := func() (string, bool) {
		list, more, err := layoutsKnown(t.Context(), now, index.Lister{Source: j})
		if err != nil {
			t.Fatal(err)
		}
		var all []string
		for _, k := range list {
			all = append(all, fmt.Sprint(k.text, k.balances, k.now))
		}
		return strings.Join(all, "; "), more
	}
	if got, more := listed(); got != "two[b-1 b-9] true; four[b-1 b-2] false; one[b-1] false" || more {
		t.Errorf("%s, %v", got, more)
	}
	many := map[string]string{}
	for i := range mostLayouts {
		many[fmt.Sprintf("sha256:m%d", i)] = "one of many"
	}
	configured("", many, nil)
	if got, more := listed(); strings.Count(got, ";") != mostLayouts-1 || strings.Contains(got, "four") || !more {
		t.Errorf("%s, %v", got, more)
	}
}

// TestALayoutThatTheLabOnceHadIsFound: in force, or in a configuration of long ago, and nowhere else.
func TestALayoutThatTheLabOnceHadIsFound(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir})
	configured := func(layouts map[string]string, refused string) {
		if _, err := j.Append(t.Context(), &record.Configured{To: "sha256:c", Changes: []string{}, Layouts: layouts, Refused: refused}); err != nil {
			t.Fatal(err)
		}
	}
	configured(map[string]string{"sha256:first": "the first"}, "")
	for range 2*pageOfConfigurations + 3 {
		configured(map[string]string{"sha256:later": "a later one"}, "")
	}
	configured(map[string]string{"sha256:refused": "never in use"}, "it has a mistake")
	if _, err := j.Append(t.Context(), &record.SettingsPending{Layouts: map[string]string{"sha256:waiting": "not adopted"}}); err != nil {
		t.Fatal(err)
	}
	now := map[string]string{"sha256:now": "in force"}
	for hash, want := range map[string]string{"sha256:now": "in force", "sha256:first": "the first", "sha256:later": "a later one"} {
		if text, err := layoutOnce(t.Context(), now, index.Lister{Source: j}, hash); err != nil || text != want {
			t.Errorf("%s: %q, %v", hash, text, err)
		}
	}
	for _, hash := range []string{"sha256:refused", "sha256:waiting", "sha256:made-up", ""} {
		text, err := layoutOnce(t.Context(), now, index.Lister{Source: j}, hash)
		var not *record.NotDone
		if !errors.As(err, &not) || text != "" {
			t.Errorf("%s: %q, %v; want it refused", hash, text, err)
		}
	}
}
