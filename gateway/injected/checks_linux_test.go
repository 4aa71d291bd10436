package injected

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// checks sets each id wherever one can stand in what looks after the fitness of balances: what is known of weights and certificates, reasons, notes,
// places. Then a check fails, with a step done again, and what was weighed under all ids is in doubt.
func (l *lab) checks(all []string) {
	l.t.Helper()
	for i, id := range all {
		if len(id) <= 100 {
			l.registered(fmt.Sprint("w-", i), id)
		}
	}
	for id, says := range refused {
		if strings.TrimSpace(id) != id || len(id) > 128 {
			continue // what only cannot be an id
		}
		l.refuses(says, "PUT", "reference-weights/w-new", map[string]any{"nominal": "20 g", "set": id, "reason": "new", "by": "ada"})
		l.refuses(says, "PUT", "reference-weights/w-new", map[string]any{"nominal": "20 g", "certificate": map[string]string{"number": id, "date": "2026-01-01", "due": "2099-01-01"}, "reason": "new", "by": "ada"})
		l.refuses(says, "PUT", "reference-weights/"+escaped(id), map[string]any{"nominal": "20 g", "reason": "new", "by": "ada"})
		l.refuses(says, "POST", "balances/b-1/out-of-service", map[string]string{"reason": id, "by": "ada"})
		l.refuses(says, "POST", "balances/b-1/upkeep", map[string]string{"act": "move", "no_as_found_because": "none", "place": id, "by": "ada"})
	}
	if status, _ := l.ask(0, "GET", "reference-weights/w-new", nil); status != 404 {
		l.t.Errorf("a weight that was refused is there: %d", status)
	}
	const markup = `<img src=x onerror="document.title='owned'"><b>LOT</b>`
	l.ask(200, "POST", "balances/b-1/out-of-service", map[string]string{"reason": markup, "by": markup})
	l.ask(200, "POST", "balances/b-1/in-service", map[string]string{"reason": markup, "by": markup})
	l.ask(200, "POST", "balances/b-1/upkeep", map[string]any{"act": "calibration", "no_as_found_because": markup, "note": markup, "by": markup, "calibration": map[string]string{"number": markup, "by": markup, "date": "2026-01-01", "due": "2099-01-01"}})
	l.ask(200, "POST", "balances/b-1/upkeep", map[string]any{"act": "move", "no_as_found_because": markup, "place": markup, "by": markup})
	l.failsACheck(markup)
	l.judged(all, markup)
	l.reportOnPaper(markup)
}

// registered puts a weight into the register that has an id in every text, and reads it back.
func (l *lab) registered(name, id string) {
	l.t.Helper()
	l.ask(200, "PUT", "reference-weights/"+name, map[string]any{"nominal": "20 g", "class": "F1", "set": id, "serial": id, "reason": id, "by": id,
		"certificate": map[string]string{"number": id, "by": id, "date": "2026-01-01", "due": "2099-01-01"}})
	_, got := l.ask(200, "GET", "reference-weights/"+name, nil)
	var w record.ReferenceWeight
	if err := json.Unmarshal([]byte(got), &w); err != nil || w.Set != id || w.Serial != id || w.Certificate.Number != id || w.Certificate.By != id {
		l.t.Errorf("the weight of the set %q is given as %s", id, got)
	}
}

// failsACheck runs the check of the settings, whose question and places are hostile too, with one step done again, to its failure.
func (l *lab) failsACheck(reason string) {
	l.t.Helper()
	l.ask(200, "POST", "balances/b-1/check", map[string]any{"check": "corners", "weights": []string{"w-0"}, "by": reason})
	l.ask(200, "POST", "balances/b-1/check/act", map[string]string{"answer": "yes", "by": reason})
	prints := func(thousandths int) {
		if _, err := l.balance.Write(fmt.Appendf(nil, "%6d.%03d g\r\n", thousandths/1000, thousandths%1000)); err != nil {
			l.t.Fatal(err)
		}
	}
	for again, n := false, 0; ; n++ {
		was, runs := l.g.CheckOn("b-1")
		if !runs || was.Waiting == "ended" {
			break
		}
		switch {
		case n > 40:
			l.t.Fatalf("the check does not end: %+v", was)
		case !again && was.Taken != "" && was.Step > 3:
			again = true
			l.ask(200, "POST", "balances/b-1/check/act", map[string]string{"repeat": reason, "by": reason})
			continue
		case was.Waiting == "place":
			prints(20000 + was.Step*was.Step)
		default:
			prints(0)
		}
		l.waitFor(fmt.Sprintf("what follows step %d, %s", was.Step, was.Waiting), func() bool {
			now, runs := l.g.CheckOn("b-1")
			return !runs || now.Step != was.Step || now.Waiting != was.Waiting
		})
	}
	l.waitFor("a failed check", func() bool {
		v, _ := l.g.FitnessOf("b-1")
		return v.Running == nil && len(v.Failures) == 1 && v.Fitness.State == record.OutOfService
	})
}

// judged judges some of what is in doubt, page by page, and holds what is listed to what was weighed.
func (l *lab) judged(all []string, reason string) {
	l.t.Helper()
	seen := map[string]bool{}
	for after, first := uint64(0), true; after > 0 || first; first = false {
		_, text := l.ask(200, "GET", fmt.Sprint("balances/b-1/failures/c000001/weighings?limit=50&after=", after), nil)
		var d struct {
			Weighings []struct {
				Seq        uint64
				ID, Sample string
			}
			Next uint64
		}
		if err := json.Unmarshal([]byte(text), &d); err != nil || len(d.Weighings) == 0 {
			l.t.Fatalf("%v: %.300s", err, text)
		}
		for _, w := range d.Weighings {
			seen[w.Sample] = true
		}
		w := d.Weighings[0]
		l.ask(200, "POST", "balances/b-1/failures/c000001/judge", map[string]any{"weighings": []map[string]any{{"seq": w.Seq, "id": w.ID}}, "effect": "affected", "reason": reason, "by": reason})
		after = d.Next
	}
	for _, id := range all {
		if !seen[id] {
			l.t.Errorf("the weighing of %q is not among what is in doubt", id)
		}
	}
}

// reportOnPaper reads the check's report as a program that is not ours does, and holds it to words that do nothing.
func (l *lab) reportOnPaper(reason string) {
	l.t.Helper()
	needs.Programs(l.t, "pdftotext", "qpdf")
	_, pdf := l.ask(200, "GET", "balances/b-1/checks/c000001/report.pdf", nil)
	path := filepath.Join(l.dir, "report.pdf")
	if err := os.WriteFile(path, []byte(pdf), 0o600); err != nil {
		l.t.Fatal(err)
	}
	text, err := exec.Command("pdftotext", "-raw", path, "-").Output()
	if err != nil {
		l.t.Fatal(err)
	}
	words := strings.Join(strings.Fields(string(text)), "")
	for _, want := range []string{reason, "<b>LOT</b> left", "document.title='owned'</script>"} {
		if !strings.Contains(words, strings.Join(strings.Fields(want), "")) {
			l.t.Errorf("the report does not say %q: %.2000s", want, text)
		}
	}
	if out, err := exec.Command("qpdf", "--check", path).CombinedOutput(); err != nil {
		l.t.Errorf("%v %s", err, out)
	}
	if strings.Contains(pdf, "/JavaScript") || strings.Contains(pdf, "/URI") {
		l.t.Error("the report holds something to do")
	}
}
