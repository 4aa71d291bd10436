package main

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/help"
)

const orderedText = `procedure: dry-mass
title: Mass of a dried portion
about: samples
parameters: [{name: portion, unit: g, limits: {at_least: 1 g, at_most: 50 g}}]
steps:
- {step: mass, do: weigh, limits: {from: none is set}}
results: [mass]
`

// TestRequestsAreSentChangedAndCancelledInTheTerminal, in the name of a sender; what is refused says why, and the command fails.
func TestRequestsAreSentChangedAndCancelledInTheTerminal(t *testing.T) {
	t.Parallel()
	h := newWeighhouse(t)
	defer http.DefaultClient.CloseIdleConnections()
	file := filepath.Join(h.dir, "dry.yaml")
	if err := os.WriteFile(file, []byte(orderedText), 0o600); err != nil {
		t.Fatal(err)
	}
	h.says(0, "", "procedures", "write", file, "--reason", "the first", "--by", "ben")
	h.says(0, "", "procedures", "adopt", "dry-mass", "1", "--reason", "read", "--by", "ada")
	_, said := h.says(0, "", "requests", "list")
	h.holds(said, "no such request")
	const one = `{"id": "R/1", "procedure": "dry-mass", "items": [{"sample": "LOT-1"}], "parameters": {"portion": "10 g"}, "job": "J-1"}`
	out, _ := h.says(0, one, "requests", "send", "--from", "lims")
	h.holds(out, "R/1 of lims is waiting")
	out, _ = h.says(0, one, "requests", "send", "--from", "lims")
	h.holds(out, "R/1 of lims came before, and is waiting")
	out, said = h.says(1, `[{"id": "R-2", "procedure": "wet-mass"}, {"id": "R-3", "procedure": "dry-mass", "items": [{"sample": "LOT-3"}], "parameters": {"portion": "2 g"}}]`,
		"requests", "send", "--from", "lims")
	h.holds(out, "R-2 of lims was refused: There is no procedure wet-mass", "R-3 of lims is waiting")
	h.holds(said, "1 of 2 were refused")
	_, said = h.says(1, `{"id": `, "requests", "send", "--from", "lims")
	h.holds(said, "this holds no requests")
	out, _ = h.says(0, "", "requests", "change", "--priority", "1", "--due", "2026-01-01T00:00:00Z", "--reason", "the customer waits", "lims", "R-3")
	h.holds(out, "R-3 of lims is waiting, with the priority 1")
	out, _ = h.says(0, "", "requests", "list", "--balance", "b-1")
	h.holds(out, "FROM", "R-3", "overdue", "R/1", "any")
	out, _ = h.says(0, "", "requests", "cancel", "--reason", "the lot was withdrawn", "lims", "R-3")
	h.holds(out, "R-3 of lims is cancelled")
	_, said = h.says(1, "", "requests", "change", "--reason", "x", "lims", "R/1")
	h.holds(said, "say what changes")
	_, said = h.says(1, "", "requests", "change", "--priority", "2", "--reason", "x", "lims", "R-3")
	h.holds(said, "only one that waits")
	out, _ = h.says(0, "", "requests", "show", "lims", "R/1")
	h.holds(out, "dry-mass", "LOT-1", "J-1", "portion: 10 g", "any fit one")
	_, said = h.says(1, "", "requests", "show", "lims", "R-9")
	h.holds(said, "No request of that id is known")
}

// TestTheManualsRequestsAreTaken sends what the manual shows: the request, its change, and that it is cancelled; and holds that every word of LADS
// StartProgram stands in its table.
func TestTheManualsRequestsAreTaken(t *testing.T) {
	topic, err := help.Page("requests")
	if err != nil {
		t.Fatal(err)
	}
	page := topic.Text
	h := newWeighhouse(t)
	defer http.DefaultClient.CloseIdleConnections()
	text, _ := h.says(0, "", "procedures", "ready", "net-by-tare")
	file := filepath.Join(h.dir, "net.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	h.says(0, "", "procedures", "write", file, "--reason", "the first", "--by", "ben")
	h.says(0, "", "procedures", "adopt", "net-by-tare", "1", "--reason", "read", "--by", "ada")
	var shown []string
	for line := range strings.Lines(page) {
		switch {
		case strings.HasPrefix(line, "    {"):
			shown = append(shown, line)
		case strings.HasPrefix(line, "    ") && len(shown) == 1:
			shown[0] += line
		}
		if strings.HasPrefix(line, "    }") {
			shown = append(shown, "")
		}
	}
	sent := 0
	for _, one := range shown {
		if one = strings.TrimSpace(one); one == "" {
			continue
		}
		out, _ := h.says(0, one, "requests", "send", "--from", "lims")
		h.holds(out, "R-1 of lims is ")
		sent++
	}
	if out, _ := h.says(0, "", "requests", "show", "lims", "R-1"); sent != 3 || !strings.Contains(out, "cancelled") || !strings.Contains(out, "J-2026-114") {
		t.Errorf("%d of 3 were sent: %s", sent, out)
	}
	for _, word := range []string{"ProgramTemplateId", "Properties", "SupervisoryJobId", "SupervisoryTaskId", "Samples", "ContainerId", "SampleId", "Position", "CustomData", "DeviceProgramRunId"} {
		if !strings.Contains(page, "`"+word+"`") {
			t.Errorf("the manual does not say what %s of LADS is here", word)
		}
	}
}
