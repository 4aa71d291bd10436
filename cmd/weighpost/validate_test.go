package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/parsers/strict"
)

// validate runs "weighpost validate …" in a folder with three files.
func validate(t *testing.T, args ...string) (status int, out, err string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for name, text := range map[string]string{
		"good.yaml":  "site: north-lab\njournal: {folder: j}\nbalances:\n- {id: b-1, port: {address: /dev/ttyX0}, layout: plain.yaml}\n",
		"plain.yaml": "line: \"{weight 10} {unit 3}\"\n",
		"bad.yaml":   "site: north-lab\njurnal: {folder: j}\nbalances:\n- {id: b-1, port: {address: /dev/ttyX0, speed: 09600}, layout: broken.yaml}\n",
		"steps.yaml": "procedure: net-mass\ntitle: Net mass\nabout: nothing\nsteps:\n- {step: net, do: weigh, limits: {at_least: 1 g, from: the lab's own}}\nresults: [net]\n",
		"steps.json": `{"procedure": "net-mass", "title": "Net mass", "about": "nothing", "steps": [{"step": "net", "do": "weigh", "limits": {"at_least": "1 g"}}], "results": ["net"]}`,
		"astray.yaml": "procedure: net-mass\ntitle: Net mass\nabout: nothing\nsteps:\n- {step: net, do: weigh, limits: {at_least: 1 mL}}\n" +
			"- {step: on, do: decide, if: net > 3, then: end, else: end}\n- {step: total, do: compute, formula: net + ash}\nresults: [net, total]\n",
		"broken.yaml": "line: \"{weight 10} {unitt 3}\"\n",
	} {
		if err := os.WriteFile(filepath.Clean(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var stdout, stderr bytes.Buffer
	status = run(append([]string{"validate"}, args...), streams{in: strings.NewReader(""), out: &stdout, err: &stderr})
	return status, stdout.String(), stderr.String()
}

func TestValidatePrintsEveryFaultOfConfigurationAndLayout(t *testing.T) {
	status, out, err := validate(t, "config", "bad.yaml")
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	if status != 1 || err != "" || len(lines) < 3 {
		t.Fatalf("status %d, %q, %s", status, out, err)
	}
	for _, want := range []string{
		`bad.yaml:2:1: jurnal: unknown key "jurnal": did you mean "journal"?; allowed: site, journal, page, clock, log, balances, sinks`,
		`bad.yaml:4:48: balances[0].port.speed: "09600" is an odd way to write a number: write 9600; allowed: a whole number`,
		`broken.yaml:1:7: line: `,
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is missing in\n%s", want, out)
		}
	}
}

func TestValidateJSON(t *testing.T) {
	status, out, _ := validate(t, "config", "--json", "bad.yaml")
	var faults []strict.Fault
	if err := json.Unmarshal([]byte(out), &faults); err != nil || status != 1 || len(faults) < 3 || faults[0].Path != "jurnal" || faults[0].Line != 2 {
		t.Errorf("status %d, %v, %s", status, err, out)
	}
	for _, args := range [][]string{{"config", "--json", "good.yaml"}, {"layout", "--json", "plain.yaml"}, {"procedure", "--json", "steps.json"}} {
		if status, out, _ := validate(t, args...); status != 0 || out != "[]\n" {
			t.Errorf("%v: status %d, %q", args, status, out)
		}
	}
}

func TestValidateSaysThatAFileIsValidAndWhatIsWorthKnowing(t *testing.T) {
	status, out, _ := validate(t, "config", "good.yaml")
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	if status != 0 || len(lines) != 5 || lines[4] != "good.yaml: valid: 1 balance, 0 sinks" {
		t.Fatalf("status %d, %s", status, out)
	}
	for i, want := range []string{"note: good.yaml:1:1: clock.servers: no time server", "note: good.yaml:1:1: sinks: no sink is configured", "note: good.yaml:1:1: backup: no backup is configured",
		"note: good.yaml:4:13: balances[0].port: neither parity nor a check byte"} {
		if !strings.HasPrefix(lines[i], want) {
			t.Errorf("line %d is %s", i, lines[i])
		}
	}
	if status, out, _ := validate(t, "layout", "plain.yaml"); status != 0 || out != "plain.yaml: valid\n" {
		t.Errorf("status %d, %s", status, out)
	}
}

func TestValidateRefusesWhatIsNoFile(t *testing.T) {
	for _, what := range []string{"config", "layout", "procedure"} {
		for _, name := range []string{"missing.yaml", "."} {
			if status, _, err := validate(t, what, name); status != 1 || strings.Count(err, "\n") != 1 {
				t.Errorf("%s %s: status %d, %s", what, name, status, err)
			}
		}
		if status, _, _ := validate(t, what); status != 2 {
			t.Errorf("%s without a file: status %d", what, status)
		}
	}
	if status, out, err := validate(t, "layout", "broken.yaml"); status != 1 || !strings.HasPrefix(out, "broken.yaml:1:") || err != "" {
		t.Errorf("status %d, %s, %s", status, out, err)
	}
}

func TestValidateFindsEveryMistakeOfAProcedure(t *testing.T) {
	if status, out, err := validate(t, "procedure", "steps.yaml"); status != 0 || err != "" || !strings.HasPrefix(out, "steps.yaml: valid: net-mass, 1 step, sha256:") {
		t.Errorf("status %d, %s, %s", status, out, err)
	}
	status, out, err := validate(t, "procedure", "astray.yaml")
	if status != 1 || err != "" {
		t.Fatalf("status %d, %s", status, err)
	}
	for _, want := range []string{
		"astray.yaml:5:45: steps[0].limits.at_least: is a volume (mL), and has to be a mass (g)",
		`astray.yaml:6:30: steps[1].if: the formula: column 5: a mass (g) and a number cannot be compared: give the number its unit, as in "3 g"`,
		"astray.yaml:7:3: steps[2]: the step total is never reached: no step leads to it",
		"results[1]: total has no limits",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is missing in\n%s", want, out)
		}
	}
}
