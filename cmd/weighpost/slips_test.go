package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/config"
)

// types has somebody type a slip in over the API, and gives the id of its entry.
func (h *weighhouse) types(digits, by string) string {
	h.t.Helper()
	cfg, err := config.LoadFile(h.file)
	if err != nil {
		h.t.Fatal(err)
	}
	token, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		h.t.Fatal(err)
	}
	body := fmt.Sprintf(`{"balance": "b-1", "digits": %q, "unit": "g", "weighed": %q, "reason": "weighpost was down", "by": %q}`, digits, time.Now().Add(-time.Hour).UTC().Format(time.RFC3339), by)
	req, err := http.NewRequestWithContext(h.t.Context(), http.MethodPost, "http://"+cfg.Page.Listen+"/api/v1/slips", strings.NewReader(body))
	if err != nil {
		h.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	var slip struct{ ID string }
	if err != nil || json.Unmarshal(answer, &slip) != nil || slip.ID == "" {
		h.t.Fatalf("%v: %s", err, answer)
	}
	return slip.ID
}

// TestContainersAndSlipsInTheTerminal: the register is kept, and slips are decided on, by whoever may.
func TestContainersAndSlipsInTheTerminal(t *testing.T) {
	t.Parallel()
	h := newWeighhouse(t)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	_, said := h.says(0, "", "containers", "list")
	h.holds(said, "no such container is registered")
	out, _ := h.says(0, "cr-1\n\n cr-2 \n", "containers", "register", "--sort", "crucible", "--expires", "2099-12-31", "--by", "ada")
	h.holds(out, "2 in the register: cr-1 to cr-2")
	h.says(0, "", "containers", "register", "f-1", "--sort", "filter", "--by", "ada")
	out, _ = h.says(0, "", "containers", "list", "--sort", "crucible")
	h.holds(out, "cr-1", "cr-2", "crucible")
	if strings.Contains(out, "f-1") {
		t.Error(out)
	}
	_, said = h.says(1, "", "containers", "register", "cr-1", "--sort", "vial", "--by", "ada")
	h.holds(said, "say why they change")
	_, said = h.says(1, "", "containers", "register", "x", "--sort", "vial", "--expires", "soon")
	h.holds(said, "no day such as")
	h.says(1, "", "containers", "register", "--sort", "vial")
	out, _ = h.says(0, "", "containers", "withdraw", "cr-1", "--reason", "cracked", "--by", "ada")
	h.holds(out, "cr-1 is withdrawn")
	out, _ = h.says(0, "", "containers", "show", "cr-1")
	h.holds(out, "The container cr-1 was withdrawn.", "2099-12-31")
	h.says(1, "", "containers", "show", "none")

	first, second := h.types("21.3400", "ada"), h.types("7.500", "ada")
	out, _ = h.says(0, "", "slips", "list", "--state", "waiting")
	h.holds(out, first, second, "21.3400 g", "waiting")
	_, said = h.says(1, "", "slips", "confirm", first, "--by", "ada")
	h.holds(said, "another person holds it against the slip")
	out, _ = h.says(0, "", "slips", "confirm", first, "--by", "ben")
	h.holds(out, "21.3400 g of balance b-1 is confirmed")
	out, _ = h.says(0, "", "slips", "turn-down", second, "--reason", "the 7 is a 1", "--by", "ben")
	h.holds(out, "7.500 g of balance b-1 is turned down")
	out, _ = h.says(0, "", "slips", "show", second)
	h.holds(out, "turned down", "the 7 is a 1", "weighpost was down", "original      slip")
	_, said = h.says(1, "", "slips", "show", "7")
	h.holds(said, "is no id of an entry")
	_, said = h.says(1, "", "slips", "show", first+"9")
	h.holds(said, "No slip of that id was typed in")
}
