package configs_test

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"weighpost/gateway/health"
	"weighpost/gateway/needs"
)

type alert struct {
	Alert       string            `yaml:"alert"`
	Expr        string            `yaml:"expr"`
	For         string            `yaml:"for"`
	Labels      map[string]string `yaml:"labels"`
	Annotations map[string]string `yaml:"annotations"`
}

func alerts(t *testing.T) (all []alert) {
	t.Helper()
	b, err := os.ReadFile("alerts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Groups []struct {
			Name  string  `yaml:"name"`
			Rules []alert `yaml:"rules"`
		} `yaml:"groups"`
	}
	if err := yaml.Unmarshal(b, &file); err != nil {
		t.Fatal(err)
	}
	for _, g := range file.Groups {
		all = append(all, g.Rules...)
	}
	return all
}

// codes are those of conditions that an expression is about; left are those that it leaves out.
func codes(expr string) (about, left []string) {
	for _, m := range regexp.MustCompile(`code(=~|!~|=)"([^"]*)"`).FindAllStringSubmatch(expr, -1) {
		if list := strings.Split(m[2], "|"); m[1] == "!~" {
			left = append(left, list...)
		} else {
			about = append(about, list...)
		}
	}
	return about, left
}

// TestEveryAlertNamesItsCondition and says what to do; the codes are those of the daemon. What has an alert of its own is what the
// one for all other errors leaves out, so that each error raises one.
func TestEveryAlertNamesItsCondition(t *testing.T) {
	kinds := map[string]health.Kind{}
	for _, k := range health.Kinds() {
		kinds[k.Code] = k
	}
	var own, left []string
	for _, a := range alerts(t) {
		about, not := codes(a.Expr)
		own, left = append(own, about...), append(left, not...)
		condition := a.Annotations["condition"]
		switch _, known := kinds[condition]; {
		case condition == "{{ $labels.code }}" && len(about)+len(not) > 0:
		case condition == "none" && len(about) == 0:
		case known && len(about) == 0:
			own = append(own, condition)
		default:
			t.Errorf("%s names the condition %q and asks for %v", a.Alert, condition, about)
		}
		if a.Labels["severity"] == "" || len(a.Annotations["summary"]) < 20 || len(a.Annotations["description"]) < 20 || len(a.Annotations) != 3 {
			t.Errorf("%s lacks its severity, its summary or what to do", a.Alert)
		}
	}
	for _, code := range append(slices.Clone(own), left...) {
		if _, known := kinds[code]; !known {
			t.Errorf("an alert is about %q, which is no condition", code)
		}
	}
	for code, k := range kinds {
		if slices.Contains(k.Severities, health.Error) && slices.Contains(own, code) != slices.Contains(left, code) {
			t.Errorf("%s: an alert of its own %t, left out of the one for other errors %t", code, slices.Contains(own, code), slices.Contains(left, code))
		}
	}
}

// story is what one alert is tried with. Values are promtool's: a+bxn is n steps of b from a, one a minute.
type story struct {
	labels string // of the alert, beside its severity, as promtool writes them: without braces
	ill    map[string]string
	well   map[string]string
	at     string // when it fires at the latest, if that is not what `for` says and a minute
}

const gw = `instance="gw-1"`

// stories are those of alerts that are no plain condition.
var stories = map[string]story{
	"WeighpostDoesNotAnswer": {gw + `,job="weighpost"`, map[string]string{`up{instance="gw-1",job="weighpost"}`: "0x90"},
		map[string]string{`up{instance="gw-1",job="weighpost"}`: "1x90"}, ""},
	"WeighpostReadingsLost": {gw + `,balance="b-12"`, map[string]string{`weighpost_unkept_total{instance="gw-1",balance="b-12"}`: "0+1x90"},
		map[string]string{`weighpost_unkept_total{instance="gw-1",balance="b-12"}`: "7x90"}, "5m"},
	"WeighpostStartsAgainAndAgain": {gw + `,job="weighpost"`, map[string]string{`process_start_time_seconds{instance="gw-1",job="weighpost"}`: "0x9 600x9 1200x9 1800x90"},
		map[string]string{`process_start_time_seconds{instance="gw-1",job="weighpost"}`: "0x9 600x9 1200x90"}, "50m"},
	"WeighpostDiskFullSoon": {gw, map[string]string{`weighpost_journal_disk_lasts_seconds{instance="gw-1"}`: "1123200x90"}, // 13 days
		map[string]string{`weighpost_journal_disk_lasts_seconds{instance="gw-1"}`: "1209600x90"}, ""}, // 14 days
	"WeighpostNoCheckpointElsewhere": {gw,
		map[string]string{`weighpost_checkpoint_timestamp_seconds{instance="gw-1",sink="a"}`: "-90000x90", `weighpost_checkpoint_entries{instance="gw-1",sink="a"}`: "10x90",
			`weighpost_journal_head{instance="gw-1"}`: "11x90"},
		map[string]string{`weighpost_checkpoint_timestamp_seconds{instance="gw-1",sink="a"}`: "-90000x90", `weighpost_checkpoint_entries{instance="gw-1",sink="a"}`: "11x90",
			`weighpost_journal_head{instance="gw-1"}`: "11x90"}, ""},
	"WeighpostReferenceWeightOverdue": {gw, map[string]string{`weighpost_reference_weights_overdue{instance="gw-1"}`: "1x90"},
		map[string]string{`weighpost_reference_weights_overdue{instance="gw-1"}`: "0x90"}, ""},
	"WeighpostDeliveryBehind": {gw + `,sink="lims"`,
		map[string]string{`weighpost_sink_behind_since_timestamp_seconds{instance="gw-1",sink="lims"}`: "-7200x90", `weighpost_sink_paused{instance="gw-1",sink="lims"}`: "0x90"},
		map[string]string{`weighpost_sink_behind_since_timestamp_seconds{instance="gw-1",sink="lims"}`: "-7200x90", `weighpost_sink_paused{instance="gw-1",sink="lims"}`: "1x90"}, ""},
	"WeighpostCertificateEnds": {gw, map[string]string{`weighpost_certificate_until_timestamp_seconds{instance="gw-1"}`: "1123200x90"},
		map[string]string{`weighpost_certificate_until_timestamp_seconds{instance="gw-1"}`: "2592000x90"}, ""},
	"WeighpostMemoryNearItsLimit": {gw + `,job="weighpost"`,
		map[string]string{`process_resident_memory_bytes{instance="gw-1",job="weighpost"}`: "96e6x90", `go_gc_gomemlimit_bytes{instance="gw-1",job="weighpost"}`: "100e6x90"},
		map[string]string{`process_resident_memory_bytes{instance="gw-1",job="weighpost"}`: "96e6x90", `go_gc_gomemlimit_bytes{instance="gw-1",job="weighpost"}`: "9.223372036854776e18x90"}, ""},
}

// ofCondition is the story of an alert that is a condition.
func ofCondition(code, severity string) story {
	labels := fmt.Sprintf(`__name__="weighpost_condition",code=%q,instance="gw-1",subject="x-1"`, code)
	series := fmt.Sprintf(`weighpost_condition{code=%q,severity=%q,instance="gw-1",subject="x-1"}`, code, severity)
	return story{labels, map[string]string{series: "1x90"}, map[string]string{series: "0x90"}, ""}
}

// storiesOf gives what an alert is tried with: each code that it is about.
func storiesOf(t *testing.T, a alert) []story {
	if s, ok := stories[a.Alert]; ok {
		return []story{s}
	}
	about, left := codes(a.Expr)
	var all []story
	for _, code := range about {
		all = append(all, ofCondition(code, "warning"))
	}
	if left != nil {
		s := ofCondition("made-up", "error")
		s.well = map[string]string{}
		for _, code := range left { // those have alerts of their own
			s.well[fmt.Sprintf(`weighpost_condition{code=%q,severity="error",instance="gw-1",subject="x-1"}`, code)] = "1x90"
		}
		all = append(all, s)
	}
	if all == nil {
		t.Errorf("%s: no story tries it", a.Alert)
	}
	return all
}

// caseOf is one of promtool's tests: the alert is asked for at two moments.
func caseOf(series map[string]string, asked ...map[string]any) map[string]any {
	var input []any
	for _, name := range slices.Sorted(maps.Keys(series)) {
		input = append(input, map[string]string{"series": name, "values": series[name]})
	}
	return map[string]any{"interval": "1m", "input_series": input, "alert_rule_test": asked}
}

func at(when time.Duration, a alert, expected ...any) map[string]any {
	return map[string]any{"eval_time": when.String(), "alertname": a.Alert, "exp_alerts": append([]any{}, expected...)}
}

// fires is what Prometheus is to say of an alert: the labels and the texts, filled in.
func fires(a alert, s story) any {
	labels, texts := map[string]string{}, map[string]string{}
	for _, m := range regexp.MustCompile(`(\w+)="([^"]*)"`).FindAllStringSubmatch(s.labels, -1) {
		labels[m[1]] = m[2]
	}
	for name, text := range a.Annotations {
		texts[name] = regexp.MustCompile(`{{ \$labels\.(\w+) }}`).ReplaceAllStringFunc(text, func(one string) string {
			return labels[strings.Trim(one, "{} ")[len("$labels."):]]
		})
	}
	delete(labels, "__name__") // an alert has its own name
	maps.Copy(labels, a.Labels)
	return map[string]any{"exp_labels": labels, "exp_annotations": texts}
}

// TestEveryAlertFiresWhenItShould, and not before its time, nor while all is well: by promtool test rules.
func TestEveryAlertFiresWhenItShould(t *testing.T) {
	needs.Programs(t, "promtool")
	rules, err := filepath.Abs("alerts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var cases []any
	fired := 0
	for _, a := range alerts(t) {
		wait, err := time.ParseDuration(a.For + "0s")
		if a.For != "" {
			wait, err = time.ParseDuration(a.For)
		}
		if err != nil {
			t.Fatal(err)
		}
		when, ill, well, expected := wait+time.Minute, map[string]string{}, map[string]string{}, []any{}
		for _, s := range storiesOf(t, a) {
			if s.at != "" {
				if when, err = time.ParseDuration(s.at); err != nil {
					t.Fatal(err)
				}
			}
			maps.Copy(ill, s.ill)
			maps.Copy(well, s.well)
			expected = append(expected, fires(a, s))
		}
		asked := []map[string]any{at(when, a, expected...)}
		if wait > 0 {
			asked = append(asked, at(wait-time.Minute, a))
		}
		cases = append(cases, caseOf(ill, asked...), caseOf(well, at(when, a)))
		fired += len(expected)
	}
	out, err := testRules(t, rules, cases)
	if err != nil || !strings.Contains(out, "SUCCESS") {
		t.Errorf("promtool test rules: %v\n%.6000s", err, out)
	}
	t.Logf("%d alerts fire, for %d reasons in all, and do not while all is well: %s", len(alerts(t)), fired, strings.Join(strings.Fields(out), " "))
	s := stories["WeighpostDoesNotAnswer"]
	if out, err := testRules(t, rules, []any{caseOf(s.well, at(5*time.Minute, alerts(t)[0], fires(alerts(t)[0], s)))}); err == nil {
		t.Errorf("promtool finds that an alert fires although all is well: %s", out)
	}
}

func testRules(t *testing.T, rules string, cases []any) (string, error) {
	t.Helper()
	b, err := yaml.Marshal(map[string]any{"rule_files": []string{rules}, "evaluation_interval": "1m", "tests": cases})
	file := filepath.Join(t.TempDir(), "tests.yaml")
	if err == nil {
		err = os.WriteFile(file, b, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "promtool", "test", "rules", file).CombinedOutput()
	return string(out), err
}

// TestPrometheusTakesTheAlerts: promtool check rules.
func TestPrometheusTakesTheAlerts(t *testing.T) {
	needs.Programs(t, "promtool")
	out, err := exec.CommandContext(t.Context(), "promtool", "check", "rules", "--lint=all", "--lint-fatal", "alerts.yaml").CombinedOutput()
	if err != nil || !strings.Contains(string(out), fmt.Sprintf("SUCCESS: %d rules found", len(alerts(t)))) {
		t.Errorf("%v: %s", err, out)
	}
}
