package main

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestAProcedureIsWrittenAndAdoptedInTheTerminal: one that comes with weighpost is written as the lab's own, adopted by another person, and withdrawn;
// what cannot be is refused in a sentence.
func TestAProcedureIsWrittenAndAdoptedInTheTerminal(t *testing.T) {
	t.Parallel()
	h := newWeighhouse(t)
	defer http.DefaultClient.CloseIdleConnections()
	out, _ := h.says(0, "", "procedures", "ready")
	h.holds(out, "thousand-seed-mass")
	text, _ := h.says(0, "", "procedures", "ready", "net-by-tare")
	file := filepath.Join(h.dir, "net.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _ = h.says(0, "", "procedures", "write", file, "--reason", "the first", "--by", "ben")
	h.holds(out, "procedure net-by-tare version 1 is written")
	_, said := h.says(1, "", "procedures", "adopt", "net-by-tare", "1", "--reason", "mine", "--by", "ben")
	h.holds(said, "another person adopts it")
	out, _ = h.says(0, "", "procedures", "adopt", "net-by-tare", "1", "--reason", "read", "--by", "ada")
	h.holds(out, "version 1 is adopted")
	if shown, _ := h.says(0, "", "procedures", "show", "net-by-tare", "1"); shown != text {
		t.Errorf("%q is not the text that was written", shown)
	}
	_, said = h.says(1, "", "procedures", "turn-down", "net-by-tare", "1", "--reason", "late", "--by", "ada")
	h.holds(said, "only one that was written")
	out, _ = h.says(0, "", "procedures", "withdraw", "net-by-tare", "1", "--reason", "wrong", "--by", "ben")
	h.holds(out, "version 1 is withdrawn")
	out, _ = h.says(0, "", "procedures", "list")
	h.holds(out, "PROCEDURE", "net-by-tare  1        withdrawn")
	out, _ = h.says(0, "", "runs", "list")
	if !strings.HasPrefix(out, "RUN") || strings.Count(out, "\n") != 1 {
		t.Errorf("%q", out)
	}
	_, said = h.says(1, "", "runs", "show", "r-none-000001")
	h.holds(said, "No run of that id is known")
}
