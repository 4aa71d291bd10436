package console

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/prometheus/client_golang/prometheus"

	"weighpost/gateway/certificate"
	"weighpost/gateway/health"
	machine "weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// fullLab is a source of which every number can be given.
type fullLab struct{ lab }

func (l fullLab) Balances() []Balance {
	list := l.lab.Balances()
	list[0].Tap = &Tap{}
	return list
}

func (l fullLab) Sinks() []Sink {
	since := record.UTC(time.Unix(1795773845, 0))
	return append(l.lab.Sinks(), Sink{ID: "broker", State: "paused", Waiting: 4, BehindSince: &since, Paused: &SinkPaused{}})
}

func (l fullLab) Journal() Journal {
	at, days := record.UTC(time.Unix(1795773845, 0)), uint64(3)
	return Journal{Incarnation: "7qx3", Head: 90211, Space: &Space{Free: 1 << 30, Journal: 1 << 20, Days: &days},
		Verified: &Verified{Entries: 90000, At: &at}, Checkpoints: []Acknowledged{{Sink: "broker", Size: 90100, At: at}}}
}

// allMetrics is what a daemon answers that has something of each.
func allMetrics(t *testing.T) (text string, names []string) {
	t.Helper()
	dir := t.TempDir()
	board := health.New(time.Now)
	keeper := certificate.New(certificate.Options{Config: certificate.Config{SelfMade: true}, Names: []string{"localhost"}, Folder: dir, Board: board, Log: discard})
	if err := keeper.Take(); err != nil {
		t.Fatal(err)
	}
	board.Raise(health.Condition{Code: health.SinkParked, Subject: "share", Severity: health.Warning})
	read := record.UTC(time.Unix(1795773845, 0))
	s := &Server{deps: Deps{Site: "north-lab", Version: "test", Source: fullLab{}, Conditions: board, Certificate: keeper,
		Configuration: func() Configuration { return Configuration{Last: &read} },
		Fitness:       shownFitness{all: []FitnessView{{Balance: record.Balance{ID: "b-1"}, Schedule: []CheckDue{{Check: "daily", Due: read}}}}}}}
	answer := httptest.NewRecorder()
	s.metrics().ServeHTTP(answer, httptest.NewRequest("GET", "/metrics", nil))
	b, err := io.ReadAll(answer.Body)
	if err != nil || answer.Code != 200 {
		t.Fatalf("%d %v", answer.Code, err)
	}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (\S+) `).FindAllStringSubmatch(string(b), -1) {
		names = append(names, m[1])
	}
	return string(b), names
}

// TestEveryNumberIsDescribedAndGiven: what Describe lists and what Collect gives are the same.
func TestEveryNumberIsDescribedAndGiven(t *testing.T) {
	_, given := allMetrics(t)
	described := make(chan *prometheus.Desc, 200)
	(&facts{}).Describe(described)
	close(described)
	var names []string
	for d := range described {
		names = append(names, strings.Split(d.String(), `"`)[1])
	}
	for _, name := range names {
		if !slices.Contains(given, name) {
			t.Errorf("%s is described and not given", name)
		}
	}
	for _, name := range given {
		if strings.HasPrefix(name, "weighpost_") && !slices.Contains(names, name) {
			t.Errorf("%s is given and not described", name)
		}
	}
}

// TestTheNumbersAreNamedAsPrometheusHasThem: its own tool has nothing to say of them; of times since 1970 it says nothing, and they
// are named by its guidance (prometheus.io, "Metric and label naming": base units, _total, _timestamp_seconds, _info).
func TestTheNumbersAreNamedAsPrometheusHasThem(t *testing.T) {
	text, names := allMetrics(t)
	if out, err := promtool(t, text, "check", "metrics"); err != nil || out != "" {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	if out, _ := promtool(t, "# TYPE wrong_count counter\nwrong_count 1\n", "check", "metrics"); out == "" {
		t.Error("promtool has nothing to say of a counter without _total either: this test shows nothing")
	}
	for _, name := range names {
		if strings.HasPrefix(name, "weighpost_") && regexp.MustCompile(`_(days|hours|minutes|ms|percent|time_seconds)$`).MatchString(name) {
			t.Errorf("%s is in no base unit, or names a time otherwise", name)
		}
	}
	t.Logf("%d of our own, %d in all", len(slices.DeleteFunc(slices.Clone(names), func(n string) bool { return !strings.HasPrefix(n, "weighpost_") })), len(names))
}

func promtool(t *testing.T, in string, args ...string) (string, error) {
	t.Helper()
	machine.Programs(t, "promtool")
	cmd := exec.CommandContext(t.Context(), "promtool", args...)
	cmd.Stdin = strings.NewReader(in)
	out, err := cmd.CombinedOutput()
	return strings.TrimSpace(string(out)), err
}

// expressions are those of the dashboard, by panel or variable, with its variables filled in.
func expressions(t *testing.T) map[string]string {
	t.Helper()
	b, err := os.ReadFile("../../configs/dashboard.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			ID      int
			Type    string
			Title   string
			Targets []struct{ Expr string }
		}
		Templating struct {
			List []struct{ Name, Definition string }
		}
	}
	if err := json.Unmarshal(b, &board); err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("$__rate_interval", "1m", "$__range", "6h", "$instance", ".*", "$balance", ".*", "$sink", ".*")
	all, ids := map[string]string{}, map[int]bool{}
	for _, p := range board.Panels {
		if p.Type != "row" && len(p.Targets) == 0 || ids[p.ID] {
			t.Errorf("panel %d, %q, asks nothing, or its id is another's too", p.ID, p.Title)
		}
		ids[p.ID] = true
		for i, target := range p.Targets {
			all[fmt.Sprintf("panel %q %d", p.Title, i)] = fill.Replace(target.Expr)
		}
	}
	for _, v := range board.Templating.List {
		if in, ok := strings.CutPrefix(v.Definition, "label_values("); ok {
			all["variable "+v.Name] = fill.Replace(in[:strings.LastIndex(in, ",")])
		}
	}
	return all
}

var metricName = regexp.MustCompile(`\b(?:weighpost|go|process)_[a-z_]+\b`)

// TestTheDashboardAsksForWhatThereIs: each expression is one that Prometheus parses, and names only what the daemon gives; what
// there is of our own stands on it, but for what it leaves out on purpose.
func TestTheDashboardAsksForWhatThereIs(t *testing.T) {
	_, names := allMetrics(t)
	all := expressions(t)
	type rule struct {
		Record string `yaml:"record"`
		Expr   string `yaml:"expr"`
	}
	var rules []rule
	asked := map[string]bool{}
	for where, expr := range all {
		rules = append(rules, rule{fmt.Sprintf("asked:%d", len(rules)), expr})
		for _, name := range metricName.FindAllString(expr, -1) {
			asked[name] = true
			if !slices.Contains(names, name) {
				t.Errorf("%s asks for %s, which there is not", where, name)
			}
		}
		if strings.Contains(expr, "$") {
			t.Errorf("%s has a variable that there is not: %s", where, expr)
		}
	}
	check := func() (string, error) {
		b, err := yaml.Marshal(map[string]any{"groups": []any{map[string]any{"name": "dashboard", "rules": rules}}})
		file := filepath.Join(t.TempDir(), "rules.yaml")
		if err == nil {
			err = os.WriteFile(file, b, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
		return promtool(t, "", "check", "rules", file)
	}
	out, err := check()
	if err != nil || !strings.Contains(out, fmt.Sprintf("SUCCESS: %d rules found", len(all))) {
		t.Errorf("promtool check rules: %v\n%s", err, out)
	}
	t.Logf("%d expressions: %s", len(all), out)
	rules[0].Expr = "sum(weighpost_ready"
	if out, err := check(); err == nil {
		t.Errorf("promtool takes half an expression: %s", out)
	}
	left := []string{"weighpost_answers_total", "weighpost_questions_total", "weighpost_last_answer_timestamp_seconds", "weighpost_frames_total", "weighpost_conditions",
		"weighpost_tap_lines_left_out_total", "weighpost_tap_bytes_not_sent_total", "weighpost_tap_program", "weighpost_clock_server", "weighpost_clock_root_distance_seconds",
		"weighpost_checkpoint_entries", "weighpost_journal_verified_timestamp_seconds", "weighpost_reload_last_good", "weighpost_reload_last_timestamp_seconds",
		"weighpost_certificate_until_timestamp_seconds"}
	for _, name := range names {
		if strings.HasPrefix(name, "weighpost_") && !asked[name] && !slices.Contains(left, name) {
			t.Errorf("%s stands on no panel: put it on one, or among what is left out", name)
		}
	}
}

// TestTheAlertsAskForWhatThereIs: the rules are held against Prometheus' tool where they are (configs); here against the daemon.
func TestTheAlertsAskForWhatThereIs(t *testing.T) {
	_, names := allMetrics(t)
	b, err := os.ReadFile("../../configs/alerts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	asked := regexp.MustCompile(`(?m)^ +expr: (.*)$`).FindAllStringSubmatch(string(b), -1)
	if len(asked) < 20 {
		t.Fatalf("%d alerts: this test shows nothing", len(asked))
	}
	for _, m := range asked {
		for _, name := range metricName.FindAllString(m[1], -1) {
			if !slices.Contains(names, name) {
				t.Errorf("%s asks for %s, which there is not", m[1], name)
			}
		}
	}
}
