package qualify

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"weighpost/gateway/needs"
	"weighpost/gateway/qualification"
)

const oneBalance = "balances:\n- {id: b-12, port: {address: \"tcp://127.0.0.1:9\"}, layout: fixed.yaml, ask: {send: \"P\\r\\n\"}}\n"

// withBalance is a lab with one balance, whose port is somebody.
func withBalance(t *testing.T, s *saying) *lab {
	t.Helper()
	src, err := os.ReadFile("../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "fixed.yaml")
	if err := os.WriteFile(path, src, 0o644); err != nil {
		t.Fatal(err)
	}
	l := newLab(t, strings.Replace(oneBalance, "fixed.yaml", path, 1))
	l.Open = s.open
	return l
}

// TestEvidenceIsTriedOut: journal and backup of a sound installation pass, and fail where they are not sound: a backup with a changed byte, one
// that cannot be made, a journal with a changed byte.
func TestEvidenceIsTriedOut(t *testing.T) {
	t.Parallel()
	order := Order{Only: []string{"journal", "backup"}, Skip: map[string]string{"backup.altered": "shown elsewhere"}}
	l := newLab(t, "")
	r, by := l.done(t, order)
	for _, id := range []string{"journal.verify", "journal.edited", "journal.shortened", "backup.restore"} {
		is(t, by, id, qualification.Passed, "")
	}
	is(t, by, "backup.altered", qualification.NotDone, "Skipped by ada: shown elsewhere")
	is(t, by, "installation.sync", qualification.NotDone, "only journal, backup was asked for")
	if !r.Good() || r.Asked != "only journal, backup; not backup.altered (shown elsewhere)" {
		t.Errorf("%s, %s", r.Verdict, r.Asked)
	}
	t.Logf("%s\n%s\n%s", by["backup.restore"].Seen, by["journal.edited"].Seen, by["journal.shortened"].Seen)

	t.Run("an altered backup", func(t *testing.T) {
		l.Backup = func(ctx context.Context, file string) error {
			err := l.backup(ctx, file)
			text, bad := os.ReadFile(file)
			if err = errors.Join(err, bad); err == nil {
				text[len(text)/2] ^= 1
				err = os.WriteFile(file, text, 0o600)
			}
			return err
		}
		r, by := l.done(t, order)
		is(t, by, "backup.restore", qualification.Failed, "It ended at verifying the backup")
		is(t, by, "journal.edited", qualification.NotDone, "no copy")
		if r.Good() {
			t.Error(r.Verdict)
		}
	})
	t.Run("no backup", func(t *testing.T) {
		l.Backup = func(context.Context, string) error { return errors.New("no room") }
		_, by := l.done(t, order)
		is(t, by, "backup.restore", qualification.Failed, "making the backup: no room")
	})
	t.Run("an edited journal", func(t *testing.T) {
		if _, err := editOne(t.Context(), l.cfg.Journal.Folder, 40); err != nil {
			t.Fatal(err)
		}
		_, by := l.done(t, Order{Only: []string{"journal.verify"}})
		is(t, by, "journal.verify", qualification.Failed, "entry 21")
	})
}

// TestTheInstallationIsTriedOut: files that others may read, another program than was meant, ports by passing names, too little space.
func TestTheInstallationIsTriedOut(t *testing.T) {
	t.Parallel()
	l := newLab(t, "")
	only := Order{Only: []string{"installation"}}
	_, by := l.done(t, only)
	for _, id := range []string{"program", "configuration", "space", "rights"} {
		is(t, by, "installation."+id, qualification.Passed, "")
	}
	is(t, by, "installation.service", qualification.NotDone, "there is none here")
	is(t, by, "installation.names", qualification.NotDone, "No balance has a port")
	only.Skip = map[string]string{"installation.sync": "it was done above"}
	if runtime.GOOS != "windows" {
		if err := os.Chmod(l.cfg.TokenFile(), 0o644); err != nil {
			t.Fatal(err)
		}
		_, by = l.done(t, only)
		is(t, by, "installation.rights", qualification.Failed, "chmod 600")
	}
	only.Expect = strings.Repeat("0", 64)
	l.Service = func(context.Context) (Service, error) {
		return Service{Installed: true, Enabled: "no", State: "dead"}, nil
	}
	l.cfg.Journal.Space.Warn = 1 << 60
	_, by = l.done(t, only)
	is(t, by, "installation.program", qualification.Failed, "another than the one")
	is(t, by, "installation.service", qualification.Failed, "It does not begin with the system")
	is(t, by, "installation.space", qualification.Failed, "free space")
	sum, err := sumOf(l.Program)
	if err != nil {
		t.Fatal(err)
	}
	only.Expect = sum
	_, by = l.done(t, only)
	is(t, by, "installation.program", qualification.Passed, "")
}

// TestPortsByPassingNamesFail, and one that is not there.
func TestPortsByPassingNamesFail(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("names of ports are told on Linux")
	}
	l := withBalance(t, &saying{})
	only := Order{Only: []string{"installation.names"}}
	for address, why := range map[string]string{"tcp://127.0.0.1:9": "", "/dev/ttyUSB7": "whichever adapter is found first", "/dev/serial/by-id/usb-none-such": "is not there"} {
		l.cfg.Balances[0].Port.Address = address
		_, by := l.done(t, only)
		outcome := qualification.Failed
		if why == "" {
			outcome = qualification.Passed
		}
		is(t, by, "installation.names", outcome, why)
	}
}

// TestAMemoryDiskIsNone: what is on a file system in memory is refused, and a real one is measured.
func TestAMemoryDiskIsNone(t *testing.T) {
	t.Parallel()
	name, _ := fileSystem("/dev/shm")
	needs.That(t, name == "tmpfs", "a file system in memory at /dev/shm")
	dir, err := os.MkdirTemp("/dev/shm", "qualify-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	l := newLab(t, "")
	l.cfg.Journal.Folder = dir
	_, by := l.done(t, Order{Only: []string{"installation.sync"}})
	is(t, by, "installation.sync", qualification.Failed, "it is in memory")
}

// TestAWeighingIsHeldAgainstTheDisplay: digit by digit and with its unit; nothing is sent but the configured question, and that only where the
// person allowed it.
func TestAWeighingIsHeldAgainstTheDisplay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, asked, shown, outcome string
		poll                        bool
	}{
		{"the same", "", "12.345 g", qualification.Passed, false},
		{"a comma", "", "12,345 g", qualification.Passed, false},
		{"asked for", "P\r\n", "12.345 g", qualification.Passed, true},
		{"another digit", "", "12.344 g", qualification.Failed, false},
		{"a digit less", "", "12.34 g", qualification.Failed, false},
		{"another unit", "", "12.345 mg", qualification.Failed, false},
		{"no unit", "", "12.345", qualification.Failed, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &saying{asked: c.asked, text: "    12.345 g\r\n"}
			l := withBalance(t, s)
			l.Person = &scripted{answers: []string{c.shown}}
			_, by := l.done(t, Order{Only: []string{"ports"}, Weigh: []string{"b-12"}, Poll: c.poll})
			is(t, by, "ports.b-12", c.outcome, "")
			if c.poll != bytes.Equal(s.sent, []byte("P\r\n")) || !c.poll && len(s.sent) > 0 {
				t.Errorf("%q was sent", s.sent)
			}
		})
	}
	t.Run("nobody says what is connected", func(t *testing.T) {
		s := &saying{}
		_, by := withBalance(t, s).done(t, Order{Only: []string{"ports"}})
		is(t, by, "ports.b-12", qualification.NotDone, "Not a byte was sent")
		if len(s.sent) > 0 {
			t.Errorf("%q was sent", s.sent)
		}
	})
}

// TestWrongOrdersAreRefused, before anything is tried.
func TestWrongOrdersAreRefused(t *testing.T) {
	t.Parallel()
	l := newLab(t, "")
	for _, o := range []Order{{Only: []string{"nothing"}}, {Skip: map[string]string{"journal": " "}}, {Skip: map[string]string{"x": "y"}}, {Loop: []string{"b-1"}}} {
		var wrong *errWrongOrder
		if _, err := Run(t.Context(), l.Deps, o); !errors.As(err, &wrong) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	r, err := Run(ended, l.Deps, Order{})
	if err != nil || r.Good() || r.Summary.NotDone != len(r.Tests) {
		t.Errorf("called off: %v, %+v", err, r.Summary)
	}
}
