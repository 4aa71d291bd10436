package running

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

const checkedText = `site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: %q}
checks: [{name: scatter, measures: repeatability, loads: [20 g], times: 3, tolerance: {mass: 5 mg}}]
balances: [{id: b-1, port: {address: %q, speed: 115200}, layout: %q, readability: 0.001 g, capacity: 100 g}]
`

// TestACheckGoesOnAfterEachKill: the daemon is killed as soon as it says that a reading was taken. What it said is in the journal, the check goes on
// with the step that it had come to, and its verdict is of what the balance showed: 20.000, 20.002 and 20.004 g less 0, 0 and 0.001 g scatter by
// 0.00153 g (the standard deviation of 20.000, 20.002 and 20.003 is √(7/3) mg), which is less than 5 mg.
func TestACheckGoesOnAfterEachKill(t *testing.T) {
	t.Parallel()
	h := newCheckedHouse(t)
	h.start(t)
	h.wants(t, 200, "PUT", "reference-weights/f1-20", `{"nominal": "20 g", "class": "F1", "conventional": "20.00002 g", "uncertainty": "0.00003 g", "k": "2",
		"certificate": {"number": "4711", "by": "the institute", "date": "2020-01-15", "due": "2099-01-15"}, "by": "ada"}`, nil)
	h.wants(t, 200, "POST", "balances/b-1/check", `{"check": "scatter", "weights": ["f1-20"], "by": "ada"}`, nil)
	for i, n := range []int{0, 20000, 0, 20002, 1, 20004} {
		h.opened(t)
		if _, err := fmt.Fprintf(h.cord, "%6d.%03d g\r\n", n/1000, n%1000); err != nil {
			t.Fatal(err)
		}
		if i == 5 {
			break
		}
		h.wait(t, fmt.Sprintf("reading %d is taken", i+1), func() bool { return h.check(t).Step == i+2 })
		if i != 0 && i != 1 && i != 4 && os.Getenv("WEIGHPOST_LONG") != "1" {
			continue
		}
		h.end(t, syscall.SIGKILL)
		h.start(t)
		h.wait(t, "the check goes on", func() bool { return h.check(t).Step > 0 })
		if v := h.check(t); v.Step != i+2 || v.Check.ID != "b-1/c000001" {
			t.Fatalf("after kill %d it goes on with %+v", i+1, v)
		}
	}
	var r console.CheckReport
	h.wait(t, "the check ends", func() bool {
		status, body, _ := h.asHost(t, "GET", "balances/b-1/checks/c000001", "")
		return status == http.StatusOK && json.Unmarshal([]byte(body), &r) == nil
	})
	if r.Ended.Outcome != record.CheckPassed || len(r.Steps) != 6 || len(r.Ended.Results) < 2 || r.Ended.Results[1].Value != "0.00153 g" {
		t.Errorf("%+v", r.Ended)
	}
	for i, digits := range []string{"0.000", "20.000", "0.000", "20.002", "0.001", "20.004"} {
		if s := r.Steps[i]; s.Value.Digits != digits || s.Became != record.AttemptTaken || s.Attempt != 1 {
			t.Errorf("step %d: %+v", i+1, s)
		}
	}
	h.end(t, syscall.SIGTERM)
}

type checkedHouse struct{ *house }

func newCheckedHouse(t *testing.T) *checkedHouse {
	t.Helper()
	dir := t.TempDir()
	h := &checkedHouse{&house{computer: computer{site: &site{program: program(t, dir)}, dir: dir}}}
	h.config, h.journal, h.cord = filepath.Join(dir, "weighpost.yaml"), filepath.Join(dir, "journal"), pty.NewCord(filepath.Join(dir, "port"))
	if err := h.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.cord.Pull() })
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer free.Close()
	h.url = "http://" + free.Addr().String() + "/"
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err == nil {
		err = os.WriteFile(h.config, fmt.Appendf(nil, checkedText, free.Addr(), h.cord.Path(), layout), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func (h *checkedHouse) asHost(t *testing.T, method, path, body string) (int, string, string) {
	t.Helper()
	token, err := os.ReadFile(filepath.Join(h.journal, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	return h.ask(t, method, "api/v1/"+path, body, "Authorization", "Bearer "+strings.TrimSpace(string(token)))
}

func (h *checkedHouse) wants(t *testing.T, want int, method, path, body string, into any) {
	t.Helper()
	status, answer, _ := h.asHost(t, method, path, body)
	if status != want {
		t.Fatalf("%s %s: %d %s", method, path, status, answer)
	}
	if into != nil {
		if err := json.Unmarshal([]byte(answer), into); err != nil {
			t.Fatal(err)
		}
	}
}

// check is the one that runs; its step is 0 while none does.
func (h *checkedHouse) check(t *testing.T) (v console.CheckView) {
	t.Helper()
	if status, body, _ := h.asHost(t, "GET", "balances/b-1/check", ""); status == http.StatusOK {
		_ = json.Unmarshal([]byte(body), &v)
	}
	return v
}

// opened waits until the port is open and the line was silent for long enough to be heard from its beginning.
func (h *checkedHouse) opened(t *testing.T) {
	t.Helper()
	h.wait(t, "the port is open", func() bool {
		var list struct {
			Balances []console.Balance `json:"balances"`
		}
		status, body, _ := h.asHost(t, "GET", "balances", "")
		return status == http.StatusOK && json.Unmarshal([]byte(body), &list) == nil && len(list.Balances) == 1 && list.Balances[0].PortUp
	})
}
