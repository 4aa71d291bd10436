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

	"golang.org/x/sys/unix"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

const reviewedText = `procedure: net
title: Net mass
about: samples
most: 1
steps:
- {step: early, do: weigh, limits: {from: none is set}}
- {step: later, do: weigh, limits: {from: none is set}}
- {step: net, do: compute, formula: later - early, unit: g, round: 0.001 g, limits: {at_most: 5 g, from: the lab's own}, outside: note}
results: [net]
`

// secretOf is what somebody of this lab has chosen as their secret.
func secretOf(id string) string { return "husk-and-kernel-of-" + id }

// account adds somebody who has chosen a secret of their own.
func (h *weighhouse) account(id, name, role string) {
	h.t.Helper()
	const first = "as-handed-out-on-paper"
	h.says(0, first+"\n", "people", "add", id, "--name", name, "--role", role, "--secret")
	s := streams{in: strings.NewReader(first + "\n"), out: io.Discard, err: io.Discard}
	err := hostFlags{Config: h.file}.asPerson(h.t.Context(), s, id, errNoRunsHere, func(ask asking) error {
		return ask(h.t.Context(), deed{Method: http.MethodPut, Path: "/api/v1/session/secret", Body: map[string]string{"old": first, "secret": secretOf(id)}})
	})
	if err != nil {
		h.t.Fatal(err)
	}
}

// netRun is a run of LOT-7 that Ada has carried out, 2.345 g.
func (h *weighhouse) netRun() string {
	h.t.Helper()
	file := filepath.Join(h.dir, "net.yaml")
	if err := os.WriteFile(file, []byte(reviewedText), 0o600); err != nil {
		h.t.Fatal(err)
	}
	h.says(0, "", "procedures", "write", file, "--reason", "the first", "--by", "ben")
	h.says(0, "", "procedures", "adopt", "net", "1", "--reason", "read", "--by", "ada")
	host := hostFlags{Config: h.file}
	var v console.RunView
	order := console.RunBegin{RunOrder: console.RunOrder{Procedure: "net", Balance: "b-1", Items: []record.RunItem{{Sample: "LOT-7"}}}, By: "ada"}
	if err := host.askRuns(h.t.Context(), http.MethodPost, "runs", order, &v); err != nil {
		h.t.Fatal(err)
	}
	h.waits(v.ID, "early")
	h.print <- 10000
	h.waits(v.ID, "later")
	h.print <- 12345
	h.waits(v.ID, "")
	return v.ID
}

// waits waits until a run waits at a step; "": until it has ended.
func (h *weighhouse) waits(run, step string) {
	h.t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		var v console.RunView
		err := hostFlags{Config: h.file}.askRuns(h.t.Context(), http.MethodGet, "runs/"+run, nil, &v)
		if err == nil && (step != "" && v.Next.Step == step || step == "" && v.Next.Waiting == "ended") {
			return
		}
		if time.Now().After(limit) {
			h.t.Fatalf("%v: %+v", err, v.Next)
		}
	}
}

// review is all that is known of a run.
func (h *weighhouse) review(run string) (v console.ReviewView) {
	h.t.Helper()
	out, _ := h.says(0, "", "reviews", "show", run, "--json")
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		h.t.Fatal(err)
	}
	return v
}

// weighed are the ids of what was weighed for a run.
func (h *weighhouse) weighed(run string) (ids []string) {
	h.t.Helper()
	for _, text := range h.review(run).Weighed {
		var w record.Weighing
		if err := json.Unmarshal(text, &w); err != nil {
			h.t.Fatal(err)
		}
		ids = append(ids, w.ID)
	}
	return ids
}

// asData has the report of a run written in the forms for programs, and issued in one of them, which is out until another of that form takes its place.
func (h *weighhouse) asData(run string) {
	h.t.Helper()
	for _, form := range []string{record.ReportJSON, record.ReportLaboratory} {
		name := filepath.Join(h.t.TempDir(), "run.json")
		h.says(0, "", "reports", "write", "run", run, "--form", form, "--out", name)
		if b, err := os.ReadFile(name); err != nil || !record.IsReport(form, b) || !strings.Contains(string(b), run) {
			h.t.Errorf("as %s: %.200s %v", form, b, err)
		}
	}
	h.says(0, "", "reports", "issue", "run", run, "--form", "json", "--by", "ben")
	_, said := h.says(1, "", "reports", "issue", "run", run, "--form", "json", "--by", "ben")
	h.holds(said, "of the same is out")
	out, _ := h.says(0, "", "reports", "list", "--of", "run")
	h.holds(out, "json", run)
}

// acts gives the arguments of a command that acts on a run, as it is now.
func (h *weighhouse) acts(what, run string, more ...string) []string {
	return append([]string{"reviews", what, run, "--seen", fmt.Sprint(h.review(run).Last)}, more...)
}

// sits runs the command before a person at a terminal who types a secret at each of these prompts, and gives what they saw.
func (h *weighhouse) sits(want int, args []string, typed ...[2]string) string {
	h.t.Helper()
	m, cmd := onTerminal(h.t, h.dir, append(args, "-c", h.file)...)
	for _, one := range typed {
		m.secret(one[0], one[1])
	}
	_ = cmd.Wait() // its status is looked at below
	m.ended()
	text := m.text()
	if got := cmd.ProcessState.ExitCode(); got != want {
		h.t.Fatalf("weighpost %s: status %d, want %d\n%s", strings.Join(args, " "), got, want, text)
	}
	for _, one := range typed {
		if strings.Contains(text, one[1]) {
			h.t.Errorf("a secret is shown at the terminal:\n%s", text)
		}
	}
	return text
}

// ended waits until all that the program wrote has arrived.
func (m *terminal) ended() {
	m.t.Helper()
	if _, err := m.tty.WriteString("(it has ended)"); err != nil {
		m.t.Fatal(err)
	}
	m.expect("(it has ended)")
}

// secret waits for a prompt, and until what is typed is not shown, and types.
func (m *terminal) secret(prompt, secret string) {
	m.t.Helper()
	m.expect(prompt)
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		mode, err := unix.IoctlGetTermios(int(m.tty.Fd()), unix.TCGETS)
		if err == nil && mode.Lflag&unix.ECHO == 0 {
			break
		}
		if time.Now().After(limit) {
			m.t.Fatalf("what is typed at %q is shown: %v", prompt, err)
		}
	}
	m.typed(secret + "\n")
}

// TestARunIsReviewedAndSignedInTheTerminal: from its end to approved, by two people before a terminal who are shown what they sign and type their
// secrets unseen; a guess, a pipe, an act without its person, an old view of the run and a person who may not change nothing of it.
func TestARunIsReviewedAndSignedInTheTerminal(t *testing.T) {
	h := newWeighhouse(t, "review: {sign_submit: true}\n")
	defer http.DefaultClient.CloseIdleConnections()
	run := h.netRun()
	h.account("ada", "Ada Holm", "operator")
	h.account("cleo", "Cleo Winther", "reviewer")
	h.account("otto", "Otto Lund", "operator")
	h.corrected(run)
	h.asData(run)

	asked := func(id string) [2]string { return [2]string{"Secret of " + id + ": ", secretOf(id)} }
	text := h.sits(1, h.acts("submit", run, "--login", "otto"), asked("otto"))
	h.holds(text, "the daemon refused: That was not done.", "Otto Lund had no part in the run")
	text = h.sits(1, h.acts("approve", run, "--login", "ada"), asked("ada"))
	h.holds(text, "the daemon refused: ", "review-runs")
	if strings.Contains(text, "you sign") {
		t.Errorf("she may not, and is asked to sign:\n%s", text)
	}
	_, said := h.says(1, secretOf("ada")+"\n", h.acts("submit", run, "--login", "ada")...)
	h.holds(said, "nobody is at the terminal. Nothing was done")
	_, said = h.says(1, "", h.acts("approve", run, "--by", "cleo")...)
	h.holds(said, "only a person signs: say who you are with --login")
	_, said = h.says(1, "", h.acts("submit", run, "--by", "ada")...)
	h.holds(said, "This is signed")

	text = h.sits(0, h.acts("submit", run, "--login", "ada"), asked("ada"), [2]string{"To sign as performed, the secret of ada: ", secretOf("ada")})
	h.shown(text, run, "performed by Ada Holm (operator) on ")
	h.holds(text, run+" is in review, and its last entry ")

	text = h.sits(1, h.acts("approve", run, "--login", "cleo"), asked("cleo"), [2]string{"To sign as reviewed, the secret of cleo: ", "a-guess-at-a-secret"})
	h.holds(text, "This is what you sign:", "the daemon refused: It was not signed.")
	if v := h.review(run); v.State != record.RunInReview || len(v.Signatures) != 1 || strings.Count(h.listed("signature-refused"), "  signature-refused  ") != 1 {
		t.Errorf("after a guess it is %s, with %d signatures\n%s", v.State, len(v.Signatures), h.listed("signature-refused"))
	}
	old := h.acts("approve", run, "--login", "cleo")
	h.says(0, "", h.acts("exclude", run, h.weighed(run)[0], "--reason", "other", "--comment", "to be included again", "--by", "cleo")...)
	h.holds(h.sits(1, old, asked("cleo")), "changed meanwhile")
	h.says(0, "", h.acts("include", run, h.weighed(run)[0], "--reason", "other", "--comment", "as it was", "--by", "cleo")...)
	text = h.sits(0, h.acts("approve", run, "--login", "cleo"), asked("cleo"), [2]string{"To sign as reviewed, the secret of cleo: ", secretOf("cleo")})
	h.shown(text, run, "reviewed by Cleo Winther (reviewer) on ")
	t.Log("\n" + text)
	h.approved(run)
}

// corrected looks at a run that is complete, and has a weighing excluded, amended and included again, by Ada, whose secret comes from a pipe: nothing of
// this is signed.
func (h *weighhouse) corrected(run string) {
	h.t.Helper()
	out, _ := h.says(0, "", "reviews", "list", "--state", "complete,in review", "--sample", "LOT-7")
	h.holds(out, "RUN", run, "net v1", "complete", "passed", "LOT-7", "clock not checked")
	weighed := h.weighed(run)
	out, _ = h.says(0, "", "reviews", "show", run)
	h.holds(out, "net: 2.345 g, passed", "limit ", weighed[0], weighed[1], "10.000 g on b-1", fmt.Sprintf("%d, for --seen", h.review(run).Last))
	corrects := func(want int, what string, args ...string) (out, said string) {
		h.t.Helper()
		return h.says(want, secretOf("ada")+"\n", append(h.acts(what, run, "--comment", "a door was open", "--login", "ada"), args...)...)
	}
	_, said := corrects(1, "exclude", weighed[0], "--reason", "no such")
	h.holds(said, "is not on the list of this lab")
	out, _ = corrects(0, "exclude", weighed[0], "--reason", "balance disturbed")
	h.holds(out, run+" is complete, and its last entry ")
	out, _ = h.says(0, "", "reviews", "show", run)
	h.holds(out, "found first      net: 2.345 g, passed", "as it stands     net: no value", "EXCLUDED", "corrected        exclude "+weighed[0]+", by Ada Holm on ", "balance disturbed (a door was open)")
	corrects(0, "include", weighed[0], "--reason", "other")
	corrects(0, "amend", weighed[1], "lot", "H-26", "--reason", "wrong sample")
	_, said = corrects(1, "reread", weighed[1], "sha256:00", "--reason", "other")
	h.holds(said, "the daemon refused: That was not done.")
	_, said = h.says(1, "not her secret\n", h.acts("exclude", run, weighed[0], "--reason", "other", "--comment", "x", "--login", "ada")...)
	h.holds(said, "the daemon refused: ")
	if v := h.review(run); len(v.Corrections) != 3 || v.Corrections[2].After != "H-26" || len(v.Excluded) != 0 {
		h.t.Errorf("%d corrections, %d excluded", len(v.Corrections), len(v.Excluded))
	}
}

// shown wants the statement of the last signature under a run word for word in what somebody saw, and the signature as every readable form shows it.
func (h *weighhouse) shown(text, run, says string) {
	h.t.Helper()
	v := h.review(run)
	if len(v.Signatures) == 0 {
		h.t.Fatal("nothing is signed")
	}
	s := v.Signatures[len(v.Signatures)-1]
	if !strings.Contains(text, "This is what you sign:\n\n"+s.Statement+"\n") || !strings.Contains(s.Statement, "net (sample LOT-7): 2.345 g") || s.How != record.ShownBoth {
		h.t.Errorf("what was signed was not shown word for word: %s\n%s\nin\n%s", s.How, s.Statement, text)
	}
	h.holds(text, "signed: "+says, "signed: "+signature.Shown(s.Signature)+"\n")
}

// approved looks at a run that two people signed, and has it archived and taken out again.
func (h *weighhouse) approved(run string) {
	h.t.Helper()
	out, _ := h.says(0, "", "reviews", "show", run)
	h.holds(out, "state            approved", "signature        performed by Ada Holm (operator) on ", "signature        reviewed by Cleo Winther (reviewer) on ", ", in force",
		"done             submit by Ada Holm on ", "from in review to approved")
	out, _ = h.says(0, "", "runs", "list", "--state", "approved")
	h.holds(out, run, "approved")
	out, _ = h.says(0, "", "runs", "list", "--state", "needs review again")
	if strings.Contains(out, run) {
		h.t.Errorf("it is approved:\n%s", out)
	}
	h.says(0, "", h.acts("archive", run, "--reason", "the year is over", "--by", "dora")...)
	_, said := h.says(1, "", h.acts("return", run, "--reason", "late", "--by", "dora")...)
	h.holds(said, "is archived: return is not done to it now")
	out, _ = h.says(0, "", h.acts("unarchive", run, "--reason", "asked for", "--by", "dora")...)
	h.holds(out, run+" is approved")
	h.says(0, "", h.acts("look", run, "--by", "dora")...)
	_, said = h.says(1, "", h.acts("replace", run, run, "--reason", "better", "--by", "dora")...)
	h.holds(said, "cannot stand for itself")
	out, _ = h.says(0, "", h.acts("look", run, "--by", "dora", "--json")...)
	h.holds(out, `"state":"approved"`)
	h.says(2, "", "reviews", "archive", run, "--reason", "which entry was seen is not said")
	h.says(2, "", "runs", "list", "--state", "nearly done")
}
