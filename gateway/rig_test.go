//go:build linux

package gateway_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
)

// daemon is a whole weighpost inside the test, with its balances on pseudo-terminals.
type daemon struct {
	*gateway.Gateway
	cfg   *config.Config
	cords []*pty.Cord
	scans []*pty.Cord // of the scanners
}

// daemonOptions says what differs from one balance that records each printed line. The zero value takes a fixed line of
// twelve bytes, "  12.345 g" and CR LF.
type daemonOptions struct {
	balances int    // 0: 1
	layout   string // path; "": the fixed line
	record   string // "": printed
	journal  string // folder; "": one of its own
	space    string // YAML of its settings
	verify   string // likewise
	sinks    string // YAML of the list
	scanners string // YAML of their rules; "": the balances have none
	speed    int    // of every port; 0: 115200
	more     string // YAML of other keys
	sessions func() time.Time
}

const fixedLine = "../testdata/layouts/fixed-line.yaml"

// line prints n thousandths of a gram as the layout of the zero options has it.
func line(n int) []byte { return fmt.Appendf(nil, "%6d.%03d g\r\n", n/1000, n%1000) }

func newDaemon(t *testing.T, o daemonOptions) *daemon {
	t.Helper()
	dir := t.TempDir()
	if o.layout == "" {
		path, err := filepath.Abs(fixedLine)
		if err != nil {
			t.Fatal(err)
		}
		o.layout = path
	}
	if o.record == "" {
		o.record = "printed"
	}
	if o.journal == "" {
		o.journal = "journal"
	}
	if o.space == "" { // as on a large disk, whatever is free on this machine's
		o.space = "warn: 128 KiB, low: 128 KiB, reserve: 64 KiB"
	}
	if o.speed == 0 {
		o.speed = 115200
	}
	d := &daemon{}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q, space: {%s}, verify: {%s}}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n", o.journal, o.space, o.verify)
	for i := range max(o.balances, 1) {
		cord := plugged(t, filepath.Join(dir, fmt.Sprintf("port-%d", i+1)))
		d.cords = append(d.cords, cord)
		scanner := ""
		if o.scanners != "" {
			scan := plugged(t, filepath.Join(dir, fmt.Sprintf("scanner-%d", i+1)))
			d.scans = append(d.scans, scan)
			scanner = fmt.Sprintf(", scanner: {port: {address: %q, speed: %d}, rules: %s}", scan.Path(), o.speed, o.scanners)
		}
		text += fmt.Sprintf("- {id: b-%d, port: {address: %q, speed: %d}, layout: %q, record: %s%s}\n",
			i+1, cord.Path(), o.speed, o.layout, o.record, scanner)
	}
	if o.sinks != "" {
		text += "sinks:\n" + o.sinks
	}
	text += o.more
	cfg, faults := config.Load(filepath.Join(dir, "weighpost.yaml"), []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	d.cfg, d.Gateway = cfg, gateway.New(cfg, gateway.Options{Sessions: o.sessions, Hasher: littleWork()})
	return d
}

// littleWork hashes secrets with little work: the cost of a sign-in is the subject of gateway/access/secret.
func littleWork() *secret.Hasher {
	return secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)
}

// plugged is the end of a cable at a path.
func plugged(t *testing.T, path string) *pty.Cord {
	t.Helper()
	cord := pty.NewCord(path)
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cord.Pull() })
	return cord
}

// start starts the daemon and waits until it listens to every balance.
func (d *daemon) start(t *testing.T) {
	t.Helper()
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i := range d.cords {
		until(t, func() bool { return d.Balances()[i].PortUp }, "a port is not opened")
	}
}

// stop ends the daemon in good order and verifies its journal.
func (d *daemon) stop(t *testing.T) {
	t.Helper()
	limit, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 15*time.Second)
	defer cancel()
	if err := d.Stop(limit); err != nil {
		t.Fatal(err)
	}
	report, err := journal.Verify(limit, d.cfg.Journal.Folder, "", nil)
	if err != nil || !report.Verified {
		t.Fatalf("the journal does not verify: %v %s", err, report.Text())
	}
}

// holds says whether a condition holds now.
func (d *daemon) holds(code string) bool {
	for _, c := range d.Conditions() {
		if c.Code == code {
			return true
		}
	}
	return false
}

func until(t *testing.T, f func() bool, otherwise string) {
	t.Helper()
	for limit := time.Now().Add(60 * time.Second); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal(otherwise)
		}
	}
}
