package fitness_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/fitness"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// TestASnapshotThatSomebodyChangedIsReadFromTheJournalInstead, whatever hole it has: the room neither falls over nor believes it.
func TestASnapshotThatSomebodyChangedIsReadFromTheJournalInstead(t *testing.T) {
	l := newLab(t, fitness.Config{Checks: onceADay(), Unfit: fitness.Hold, Minimum: fitness.Minimum{USP41: true, CG18: &fitness.CG18{Required: "0.10", Safety: "2"}}})
	l.check("daily", record.CheckAsked, record.CheckFailed, nil)
	l.end()
	name := filepath.Join(l.dir, fitness.FileName)
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, hole := range []string{`"checks":[null]`, `"upkeep":[null]`, `"failures":[null]`, `"running":{}`, `"running":{"begun":{"check":{"id":"x"}},"steps":[null]}`,
		`"calibrated":{}`, `"state":"splendid"`, `"number":-7`} {
		var doc map[string]any
		if err := json.Unmarshal(whole, &doc); err != nil {
			t.Fatal(err)
		}
		file := doc["files"].(map[string]any)["b-12"].(map[string]any)
		var change map[string]any
		if err := json.Unmarshal([]byte("{"+hole+"}"), &change); err != nil {
			t.Fatal(err)
		}
		for k, v := range change {
			file[k] = v
		}
		b, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
		l.start()
		l.state(record.OutOfService)
		if f, ok := l.room.File("b-12"); !ok || len(f.Checks) != 1 || len(f.Failures) != 1 {
			t.Errorf("%s: %+v", hole, f)
		}
		l.end()
	}
	l.start()
}

// TestAClockThatWasAheadDoesNotKeepABalanceInService: a pass stamped in a year that has not come makes nothing fit until then.
func TestAClockThatWasAheadDoesNotKeepABalanceInService(t *testing.T) {
	l := newLab(t, fitness.Config{Checks: onceADay()})
	right := l.now
	l.at(right.AddDate(10, 0, 0))
	l.check("daily", record.CheckAsked, record.CheckPassed, nil)
	l.state(record.InService)
	l.at(right)
	l.state(record.CheckDue)
	if f, _ := l.room.File("b-12"); !strings.Contains(f.Reason, "has not come") {
		t.Errorf("%q", f.Reason)
	}
	l.check("daily", record.CheckAsked, record.CheckPassed, nil)
	l.state(record.InService)
	l.later(48 * time.Hour)
	l.state(record.CheckDue)
}

// TestAFailedCheckNeverLeavesASmallerMinimumWeightInForce: a person may put the balance back, and what was found last holds.
func TestAFailedCheckNeverLeavesASmallerMinimumWeightInForce(t *testing.T) {
	l := newLab(t, fitness.Config{Checks: onceADay(), Minimum: fitness.Minimum{USP41: true}})
	l.check("daily", record.CheckAsked, record.CheckFailed, &record.MinimumWeight{Mass: "0.5 g"})
	if m, _ := l.room.Minimum("b-12"); m != nil {
		t.Errorf("a check that failed gives a minimum weight: %+v", m)
	}
	l.check("daily", record.CheckAsked, record.CheckPassed, &record.MinimumWeight{Mass: "0.0820 g"})
	l.check("daily", record.CheckAsked, record.CheckFailed, &record.MinimumWeight{Mass: "500 mg"})
	l.does(l.room.PutBack(t.Context(), "b-12", "only large lots today", ada))
	if m, why := l.room.Minimum("b-12"); m == nil || m.Mass != "500 mg" {
		t.Errorf("%+v %s", m, why)
	}
	l.check("daily", record.CheckAsked, record.CheckFailed, &record.MinimumWeight{Mass: "0.1 g"})
	if m, _ := l.room.Minimum("b-12"); m == nil || m.Mass != "500 mg" {
		t.Errorf("a failed check made the minimum weight smaller: %+v", m)
	}
	l.check("daily", record.CheckAsked, record.CheckPassed, &record.MinimumWeight{Mass: "0.0820 g"})
	if m, _ := l.room.Minimum("b-12"); m == nil || m.Mass != "0.0820 g" {
		t.Errorf("%+v", m)
	}
}

func onceADay() []fitness.Scheduled {
	return []fitness.Scheduled{{Check: "daily", Every: "day", Grace: strict.Duration(96 * time.Hour)}}
}
