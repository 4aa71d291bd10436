//go:build linux

package gateway_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// TestEveryWeighingCanBeReadAgainFromTheJournalAlone holds that the frame of each weighing, read by the layout that the
// journal holds before it, gives the value that was recorded: also across a reload that changes layouts and adds a balance.
func TestEveryWeighingCanBeReadAgainFromTheJournalAlone(t *testing.T) {
	h := newHouse(t, "port-1", "port-2", "port-3")
	h.write(t, "token", "one\n")
	h.start(t, base)
	h.printEach(t)
	text := strings.Replace(base, "layout: as.yaml", "layout: also.yaml", 1)
	text = strings.Replace(text, "sinks:", "- {id: b-3, port: {address: DIR/port-3, speed: 115200}, layout: third.yaml}\nsinks:", 1)
	h.write(t, "third.yaml", strings.Replace(asLine, "As printed", "Of the new one", 1))
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	h.up(t)
	h.printEach(t)
	h.stop(t)

	texts, used := map[string]string{}, map[string]bool{}
	err := journal.Scan(t.Context(), filepath.Join(h.dir, "journal"), 0, func(e record.Entry) error {
		learnLayouts(t, e, texts)
		if e.Kind == record.KindWeighing {
			used[readAgain(t, e, texts)] = true
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(used) != 3 {
		t.Errorf("%d layouts were used, want 3", len(used))
	}
}

func learnLayouts(t *testing.T, e record.Entry, texts map[string]string) {
	t.Helper()
	var told struct {
		Layouts map[string]string `json:"layouts"`
	}
	if e.Kind != record.KindConfigured {
		return
	}
	if err := json.Unmarshal(e.JSON, &told); err != nil {
		t.Fatal(err)
	}
	maps.Copy(texts, told.Layouts)
}

// readAgain reads a weighing's frame by the layout that it names, which it returns.
func readAgain(t *testing.T, e record.Entry, texts map[string]string) string {
	t.Helper()
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		t.Fatal(err)
	}
	text, known := texts[w.Layout]
	sum := sha256.Sum256([]byte(text))
	if !known || w.Layout != "sha256:"+hex.EncodeToString(sum[:]) {
		t.Fatalf("%s: the journal does not hold the layout %s before it", e.ID, w.Layout)
	}
	l, err := layout.Parse("from the journal", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var r layout.Reading
	read := 0
	l.Splitter().Push(w.Frame, func(f frame.Frame) {
		read++
		if err := l.Apply(f, &r); err != nil {
			t.Errorf("%s: %v", e.ID, err)
		}
	})
	if read != 1 || record.ValueOf(&r) != w.Value {
		t.Errorf("%s: %d frames, %+v, recorded was %+v", e.ID, read, record.ValueOf(&r), w.Value)
	}
	return w.Layout
}
