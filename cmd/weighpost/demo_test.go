package main

import (
	"bytes"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func call(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(args, streams{strings.NewReader(""), &o, &e})
	return status, o.String(), e.String()
}

// TestExitStatus: 0 done, 1 failed, 2 wrong usage.
func TestExitStatus(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		args []string
		want int
	}{
		{[]string{"version"}, 0},
		{[]string{"--help"}, 0},
		{[]string{"run", "--config", "none.yaml"}, 1},
		{[]string{"journal", "verify", "nowhere"}, 1},
		{[]string{"demo", "--balances", "0", "--for", "1s"}, 1},
		{[]string{}, 2},
		{[]string{"run"}, 2},
		{[]string{"demo", "--for", "soon"}, 2},
		{[]string{"read", "--layuot", "x", "-"}, 2},
	} {
		if got, out, errs := call(c.args...); got != c.want {
			t.Errorf("%v: status %d, want %d\n%s%s", c.args, got, c.want, out, errs)
		}
	}
}

// TestDemoPrintsOneObject holds the demo to what it promises to machines: one JSON object on standard output, nothing lost,
// and what it wrote kept where it was told to.
func TestDemoPrintsOneObject(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	status, out, errs := call("demo", "--for", "4s", "--json", "--rate", "4", "--dir", dir, "--listen", "127.0.0.1:0")
	if status != 0 || strings.Count(out, "\n") != 1 {
		t.Fatalf("status %d, standard output %q, standard error %q", status, out, errs)
	}
	var r struct {
		Balances, Recorded, Unread, Lost, Duplicates *int
		Sinks                                        map[string]struct{ Delivered int }
		JournalVerified                              bool `json:"journal_verified"`
		WithSample                                   *int `json:"with_sample"`
		WrongSample                                  *int `json:"wrong_sample"`
		WithPerson                                   *int `json:"with_person"`
		WrongPerson                                  *int `json:"wrong_person"`
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	for name, n := range map[string]*int{"balances": r.Balances, "recorded": r.Recorded, "unread": r.Unread, "lost": r.Lost, "duplicates": r.Duplicates,
		"with_sample": r.WithSample, "wrong_sample": r.WrongSample, "with_person": r.WithPerson, "wrong_person": r.WrongPerson} {
		if n == nil {
			t.Fatalf("%s is missing in %s", name, out)
		}
	}
	if *r.Balances != 10 || *r.Recorded < 6 || *r.Lost != 0 || !r.JournalVerified {
		t.Errorf("the demo says %s", out)
	}
	if *r.WithSample < 6 || *r.WithPerson < 4 || *r.WrongSample != 0 || *r.WrongPerson != 0 {
		t.Errorf("people and samples: the demo says %s", out)
	}
	for _, kind := range []string{"mqtt", "files", "http"} {
		if r.Sinks[kind].Delivered != *r.Recorded {
			t.Errorf("%s has %d of %d", kind, r.Sinks[kind].Delivered, *r.Recorded)
		}
	}
	for _, kept := range []string{"journal.db", "files", "weighpost.yaml"} {
		if _, err := os.Stat(filepath.Join(dir, kept)); err != nil {
			t.Error(err)
		}
	}
	if status, out, errs := call("journal", "verify", dir); status != 0 {
		t.Errorf("journal verify of what was kept: status %d %s%s", status, out, errs)
	}
	if status, _, errs := call("demo", "--for", "1s", "--dir", dir); status != 1 || !strings.Contains(errs, "holds a journal already") {
		t.Errorf("a second demo in the same folder: status %d, %q", status, errs)
	}
}

// TestDemoSaysThatItsPageHasNoPlace: an address that was asked for and is taken is an error, not another address.
func TestDemoSaysThatItsPageHasNoPlace(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	status, _, errs := call("demo", "--for", "1s", "--listen", l.Addr().String())
	if status != 1 || !strings.Contains(errs, l.Addr().String()) || strings.Count(strings.TrimSpace(errs), "\n") != 0 {
		t.Errorf("status %d, %q", status, errs)
	}
}
