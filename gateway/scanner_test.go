//go:build linux

package gateway_test

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// A scanner whose cable is pulled is said, under a name of its own; the balance goes on, and the scanner is read again.
func TestALostScannerIsSaid(t *testing.T) {
	d := newDaemon(t, daemonOptions{scanners: `[{prefix: LOT-, item: sample, uses: -1}]`})
	d.start(t)
	time.Sleep(500 * time.Millisecond) // of silence: the first line is heard from its beginning
	scan := func(text string) {
		t.Helper()
		if _, err := d.scans[0].Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	held := func(id string) func() bool {
		return func() bool {
			view, err := d.ContextOf("b-1")
			return err == nil && len(view.Items) == 1 && view.Items[0].ID == id
		}
	}
	scan("LOT-1\r")
	until(t, held("LOT-1"), "a scan sets nothing")
	if err := d.scans[0].Pull(); err != nil {
		t.Fatal(err)
	}
	said := func() bool {
		for _, c := range d.Conditions() {
			if c.Subject == "b-1-scanner" && strings.HasPrefix(c.Sentence, "Nothing comes from the scanner of balance b-1. ") {
				return true
			}
		}
		return false
	}
	until(t, said, "nobody says that the scanner is gone")
	mustWrite(t, d, 0, line(1000))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the balance does not go on")
	if err := d.scans[0].Plug(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return !said() }, "the condition stays")
	time.Sleep(500 * time.Millisecond)
	scan("LOT-2\r")
	until(t, held("LOT-2"), "the scanner is not read again")
	d.stop(t)
	for _, e := range reopened(t, d)["b-1"] {
		if e.Kind == record.KindPortDown && strings.Contains(string(e.JSON), `"role":"scanner"`) {
			return
		}
	}
	t.Error("that the scanner was gone is no entry")
}
