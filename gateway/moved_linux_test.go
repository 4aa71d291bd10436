//go:build linux

package gateway_test

import (
	"strings"
	"testing"

	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
)

// A journal that comes from another computer is another incarnation here, and people are told.
func TestAJournalOfAnotherComputerIsToldOf(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank", Machine: func() string { return "another" }})
	if err != nil {
		t.Fatal(err)
	}
	before := j.Incarnation()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	d := newDaemon(t, daemonOptions{journal: dir})
	d.start(t)
	if d.Journal().Incarnation == before {
		needs.That(t, false, "a computer that has a machine-id(5)")
	}
	if !d.holds(health.JournalMoved) || !strings.Contains(d.Conditions()[0].Sentence, before) {
		t.Errorf("nobody is told: %+v", d.Conditions())
	}
	d.stop(t)
	d = newDaemon(t, daemonOptions{journal: dir})
	d.start(t)
	if d.holds(health.JournalMoved) {
		t.Error("it is still told after the next start")
	}
	d.stop(t)
}
