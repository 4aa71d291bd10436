package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// weighhouse is a daemon with one balance of 100 g, d = 0.001 g, that prints on its key.
type weighhouse struct {
	t     *testing.T
	dir   string
	file  string
	print chan int // milligrams
}

const weighhouseConfig = `site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
checks:
- {name: daily, measures: accuracy, questions: ["Does the balance stand level?"], loads: [20 g], tolerance: {mass: 5 mg}, settle: {frames: 3, within_d: 1, for: 10ms}}
balances:
- {id: b-1, port: {address: "tcp://ADDRESS"}, layout: lines.yaml, readability: 0.001 g, capacity: 100 g}
`

// newWeighhouse starts it; more are sections of its configuration.
func newWeighhouse(t *testing.T, more ...string) *weighhouse {
	t.Helper()
	h := &weighhouse{t: t, dir: t.TempDir(), print: make(chan int, 10)}
	h.file = filepath.Join(h.dir, "weighpost.yaml")
	text := strings.Replace(strings.Replace(weighhouseConfig, "ADDRESS", h.balance(), 1), "127.0.0.1:0", needs.FreeAddress(t), 1) + strings.Join(more, "")
	layout, err := os.ReadFile("../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string]string{h.file: text, filepath.Join(h.dir, "lines.yaml"): string(layout)} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.LoadFile(h.file)
	if err != nil {
		t.Fatal(err)
	}
	g := gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := g.Stop(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return h
}

// balance prints to whoever listens, until the test ends.
func (h *weighhouse) balance() (address string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		h.t.Fatal(err)
	}
	done, ended := make(chan struct{}), make(chan struct{})
	h.t.Cleanup(func() { close(done); l.Close(); <-ended })
	go func() {
		defer close(ended)
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			for err == nil {
				select {
				case <-done:
					err = net.ErrClosed
				case n := <-h.print:
					_, err = fmt.Fprintf(conn, "%6d.%03d g\r\n", n/1000, n%1000)
				}
			}
			conn.Close()
		}
	}()
	return l.Addr().String()
}

// says runs the command, and gives what it wrote.
func (h *weighhouse) says(want int, typed string, args ...string) (out, err string) {
	h.t.Helper()
	return h.weighs(want, typed, nil, args...)
}

// weighs runs the command before a person who prints once each of these texts is read.
func (h *weighhouse) weighs(want int, typed string, prints map[string]int, args ...string) (out, err string) {
	h.t.Helper()
	var o, e bytes.Buffer
	seen := writer(func(b []byte) (int, error) {
		for text, n := range prints {
			if strings.Contains(string(b), text) {
				h.print <- n
			}
		}
		return e.Write(b)
	})
	if got := run(append(args, "-c", h.file), streams{strings.NewReader(typed), &o, seen}); got != want {
		h.t.Fatalf("weighpost %s: status %d, want %d\n%s%s", strings.Join(args, " "), got, want, &o, &e)
	}
	return o.String(), e.String()
}

type writer func(b []byte) (int, error)

func (w writer) Write(b []byte) (int, error) { return w(b) }

// holds wants each of these in a text.
func (h *weighhouse) holds(text string, want ...string) {
	h.t.Helper()
	for _, w := range want {
		if !strings.Contains(text, w) {
			h.t.Errorf("no %q in\n%s", w, text)
		}
	}
}

// TestABalanceIsCheckedInTheTerminal: weights are registered with their certificates, a check is followed to its end, one fails, and what
// it throws doubt on is judged and closed.
func TestABalanceIsCheckedInTheTerminal(t *testing.T) {
	t.Parallel()
	h := newWeighhouse(t)
	h.weights()
	begin := func(more ...string) []string {
		return append([]string{"checks", "begin", "b-1", "daily", "--weight", "f1-20", "--by", "ada"}, more...)
	}
	out, said := h.weighs(0, "yes\nno\n", map[string]int{"2 of 3": 0, "3 of 3  Place": 10000, "Lift the weight": 20001}, begin()...)
	h.holds(out, "b-1/c000001 daily: passed, ", "0.0010 g", "0.005 g", "certificate 4800")
	h.holds(said, "1 of 3  Does the balance stand level? (yes or no)", "about 20 g was expected", checkCaution)

	pdf := filepath.Join(h.dir, "report.pdf")
	out, _ = h.says(0, "", "checks", "report", "b-1", "b-1/c000001", "--out", pdf)
	paper, err := os.ReadFile(pdf)
	if err != nil || !bytes.HasPrefix(paper, []byte("%PDF-")) || !strings.Contains(out, fmt.Sprint(len(paper))) {
		t.Errorf("%v %q", err, out)
	}
	h.says(1, "", "checks", "report", "b-1", "c000001", "--out", pdf) // it is there already
	_, said = h.says(1, "", "checks", "report", "b-1", "c000009")
	h.holds(said, "There is no such check")
	h.reports()

	h.print <- 5000
	h.print <- 6000
	for range 100 {
		if strings.Count(h.listed("weighing"), "  weighing  ") == 2 {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	out, _ = h.weighs(1, "yes\n", map[string]int{"2 of 3": 0, "3 of 3": 20100}, begin("--why", "as-found", "--json")...)
	h.holds(out, `"outcome":"failed"`, `"why":"as found"`, `"steps":[`)
	h.judged()

	_, said = h.says(1, "", "checks", "upkeep", "b-1", "adjustment")
	h.holds(said, "the daemon refused")
	out, _ = h.says(0, "", "checks", "upkeep", "b-1", "adjustment", "--as-found", "c000002", "--note", "with its own weight")
	h.holds(out, "adjustment noted; balance b-1 is out of service now")
	h.says(2, "", "checks", "upkeep", "b-1", "painting")

	_, said = h.says(1, "", begin()...) // nobody is there to answer
	h.holds(said, "waits for an answer", "weighpost checks follow b-1")
	out, _ = h.says(1, "no\n", "checks", "follow", "b-1")
	h.holds(out, "b-1/c000003 daily: aborted")
	_, said = h.says(1, "", "checks", "follow", "b-1")
	h.holds(said, "No check runs")
	h.onPaperAgain(paper)
}

// onPaperAgain holds that the report of the first check is the same file later, when other checkpoints were signed.
func (h *weighhouse) onPaperAgain(paper []byte) {
	h.t.Helper()
	var bundle []byte
	if err := (hostFlags{Config: h.file}).askRuns(h.t.Context(), http.MethodGet, "bundle?all=true", nil, &bundle); err != nil { // it signs a checkpoint
		h.t.Fatal(err)
	}
	pdf := filepath.Join(h.dir, "again.pdf")
	h.says(0, "", "checks", "report", "b-1", "c000001", "--out", pdf)
	if again, err := os.ReadFile(pdf); err != nil || !bytes.Equal(again, paper) {
		h.t.Errorf("the same check is another file later: %v, %d bytes and %d", err, len(again), len(paper))
	}
}

// judged judges what the failed check throws doubt on: one by itself, then the rest, then it is closed.
func (h *weighhouse) judged() {
	h.t.Helper()
	of := func(what string, more ...string) []string {
		return append([]string{"checks", what, "b-1", "c000002"}, more...)
	}
	out, said := h.says(0, "", of("doubts", "--json")...)
	var first console.DoubtfulWeighing
	if err := json.Unmarshal([]byte(strings.Split(out, "\n")[0]), &first); err != nil || strings.Count(out, "\n") != 2 {
		h.t.Fatalf("%v\n%s%s", err, out, said)
	}
	h.says(1, "", of("close", "--reason", "too early")...)
	_, said = h.says(1, "", of("judge", "--effect", "affected", "--reason", "seen")...)
	h.holds(said, "say which weighings")
	_, said = h.says(1, "", of("judge", "--effect", "affected", "--reason", "seen", "--weighing", "seed-bank/none")...)
	h.holds(said, "throws no doubt on seed-bank/none")
	out, _ = h.says(0, "", of("judge", "--effect", "affected", "--reason", "weighed again", "--weighing", first.ID)...)
	h.holds(out, "1 judged: affected")
	out, said = h.says(0, "", of("doubts")...)
	h.holds(out, "5.000 g", "6.000 g", "affected")
	h.holds(said, "1 of them are not judged")
	out, _ = h.says(0, "", of("judge", "--effect", "no-effect", "--reason", "far below the error", "--all", "--json")...)
	h.holds(out, `{"judged":1}`)
	out, _ = h.says(0, "", of("close", "--reason", "all judged")...)
	h.holds(out, "closed; balance b-1 is out of service")
}

// listed gives the entries of a kind.
func (h *weighhouse) listed(kind string) string {
	var o, e bytes.Buffer
	run([]string{"journal", "list", filepath.Join(h.dir, "journal"), "--kind", kind}, streams{strings.NewReader(""), &o, &e})
	return o.String()
}

// weights registers one, changes its certificate, and attaches the file.
func (h *weighhouse) weights() {
	h.t.Helper()
	w := func(more ...string) []string { return append([]string{"weights", "register", "f1-20"}, more...) }
	_, said := h.says(1, "", w("--class", "F1")...)
	h.holds(said, "--nominal")
	out, _ := h.says(0, "", w("--nominal", "20 g", "--class", "F1", "--serial", "7", "--number", "4711", "--date", "2019-01-01", "--due", "2020-01-01", "--conventional", "20.00001 g", "--uncertainty", "0.00003 g", "--coverage", "2")...)
	h.holds(out, "serial               7", "not to be relied on")
	out, _ = h.says(0, "", w("--number", "4800", "--date", "2026-01-15", "--due", "2099-01-01", "--conventional", "20.00002 g", "--reason", "a new certificate")...)
	h.holds(out, "serial               7", "certificate          4800", "20.00002 g")
	if strings.Contains(out, "4711") || strings.Contains(out, "uncertainty") || strings.Contains(out, "not to be relied on") {
		h.t.Errorf("something of the certificate before is left:\n%s", out)
	}
	file := filepath.Join(h.dir, "4800.pdf")
	if err := os.WriteFile(file, []byte("%PDF-1.7 a certificate\n"), 0o600); err != nil {
		h.t.Fatal(err)
	}
	_, said = h.says(1, "", w("--certificate", h.file)...)
	h.holds(said, "no PDF, PNG or JPEG")
	h.says(0, "", w("--certificate", file, "--set", "set 3", "--reason", "which set")...)
	out, _ = h.says(0, "", "weights", "show", "f1-20")
	h.holds(out, "set                  set 3", "4800.pdf, 23 bytes, SHA-256 ")
	_, said = h.says(1, "", "weights", "show", "none")
	h.holds(said, "There is no such reference weight")
}

// reports issues the report of a check, which is then out until another takes its place by name. What was issued is kept as it was, and a
// preview made twice has the same bytes.
func (h *weighhouse) reports() {
	h.t.Helper()
	file := func(args ...string) []byte {
		name := filepath.Join(h.t.TempDir(), "r.pdf")
		h.says(0, "", append(append([]string{"reports", "write"}, args...), "--out", name)...)
		b, err := os.ReadFile(name)
		if err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
			h.t.Fatalf("%q: %v, %.20q", args, err, b)
		}
		return b
	}
	if !bytes.Equal(file("check", "b-1/c000001"), file("check", "b-1/c000001", "--template", "built-in")) {
		h.t.Error("the same check gives two reports")
	}
	day := time.Now().Format(time.DateOnly)
	for _, one := range [][]string{{"balance", "b-1"}, {"day", day + "/b-1"}, {"trail", "1-5"}, {"trail", day + "/" + day}} {
		file(one...)
	}
	out, _ := h.says(0, "", "reports", "issue", "check", "b-1/c000001", "--by", "ada", "--json")
	var first record.ReportIssued
	if err := json.Unmarshal([]byte(out), &first); err != nil {
		h.t.Fatal(err, out)
	}
	if got := file(first.Report); fmt.Sprintf("%x", sha256.Sum256(got)) != first.Sum || int64(len(got)) != first.Size {
		h.t.Errorf("the file has another sum than its entry says, %+v", first)
	}
	_, said := h.says(1, "", "reports", "issue", "check", "b-1/c000001", "--by", "ada")
	h.holds(said, first.Report, "nothing has taken its place")
	out, _ = h.says(0, "", "reports", "issue", "check", "b-1/c000001", "--replaces", first.Report, "--why", "a test", "--by", "ada")
	h.holds(out, "-000002: report of the check b-1/c000001")
	out, _ = h.says(0, "", "reports", "list", "--of", "check")
	h.holds(out, first.Report, first.Sum, "-000002")
	for _, wrong := range [][]string{{"run", "r-9"}, {"check", "b-1/c000009"}, {"day", "soon"}, {"balance", "b-9"}, {"sample", "LOT-none"}} {
		h.says(1, "", append([]string{"reports", "issue", "--by", "ada"}, wrong...)...)
	}
	_, said = h.says(1, "", "reports", "issue", "balance", "b-1", "--to", "share", "--by", "ada")
	h.holds(said, "gets no reports")
}
