package console

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// closet is settings that never change: it says what it was asked for, and refuses by the reason.
type closet struct {
	mu    sync.Mutex
	asked []SettingsChange
	told  []SettingsDecision
}

func (*closet) Settings() (map[string]any, string) {
	return map[string]any{"site": "north-lab", "clock": map[string]any{"servers": []any{"time-1.example"}}}, "sha256:aa"
}

func (c *closet) ChangeSettings(_ context.Context, change SettingsChange) (SettingsAnswer, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = append(c.asked, change)
	answer := SettingsAnswer{Outcome: SettingsHold, Hash: "sha256:bb", Changes: []string{"clock: ceiling is now 1s"}}
	if !slices.Contains(change.Seen, "sha256:aa") {
		return answer, ErrSettingsMoved
	}
	switch change.Reason {
	case "wrong":
		return answer, strict.Faults{{Path: "clock.ceiling", What: "is out of range", Allowed: "1ms to 1h"}, {Path: "site", What: "belongs to the host"}}
	case "clash":
		return answer, &SettingsConflict{Why: "a change waits"}
	case "not you":
		return answer, &SettingsForbidden{Why: "two people are needed"}
	case "full":
		return answer, context.DeadlineExceeded
	}
	if change.DryRun {
		return SettingsAnswer{Outcome: SettingsInvalid, Hash: "sha256:aa", Mistakes: []Mistake{{Path: "clock.ceiling", What: "is out of range"}}}, nil
	}
	return answer, nil
}

func (*closet) CompareSettings(_, _ json.RawMessage) ([]SettingsDifference, error) { return nil, nil }

func (*closet) LayoutInForce(string) (map[string]any, string, bool) { return nil, "", false }

func (c *closet) CentralSettings() *record.Central { return nil }

func (c *closet) PendingSettings() *PendingSettings {
	return &PendingSettings{Change: "c1", Sections: []string{"clock"}, Changes: []string{"clock: ceiling is now 1s"}, Needs: "two",
		Proposed: []record.Actor{{ID: "ada", By: record.ActorPassword}}, Differences: []SettingsDifference{{Path: "clock.ceiling", To: "ceiling: 1s"}}, Since: record.UTC{}}
}

func (c *closet) DecideSettings(_ context.Context, d SettingsDecision) (SettingsAnswer, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.told = append(c.told, d)
	if d.Change == "c2" {
		return SettingsAnswer{}, ErrSettingsMoved
	}
	return SettingsAnswer{Outcome: SettingsHold, Hash: "sha256:bb"}, nil
}

func (c *closet) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.asked) + len(c.told)
}

func (c *closet) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked, c.told = nil, nil
}

const aChange = `{"change": {"clock": {"ceiling": "1s"}}, "reason": "a test", "by": "ada"}`

// asSeen sends the entity tag that the closet gives.
func asSeen(r *http.Request) { r.Header.Set("If-Match", `"sha256:aa"`) }

// TestSettingsAreChangedAsTheyWereSeen: RFC 9110, sections 8.8.3 and 13.1.1; RFC 6585, section 3.
func TestSettingsAreChangedAsTheyWereSeen(t *testing.T) {
	h := open(t)
	resp, body := ask(t, "GET", h.base+settingsPath, nil)
	if resp.StatusCode != 200 || resp.Header.Get("ETag") != `"sha256:aa"` || !strings.Contains(body, `"site":"north-lab"`) {
		t.Fatalf("%d %v %s", resp.StatusCode, resp.Header, body)
	}
	for _, c := range []struct {
		match  string
		status int
	}{
		{"", 428}, {"*", 428}, {`"sha256:zz"`, 412}, {`W/"sha256:aa"`, 412}, {"sha256:aa", 412}, {`"`, 412}, {`"sha256:zz", "sha256:aa"`, 200}, {`"sha256:aa"`, 200},
	} {
		resp, body := send(t, h, "PATCH", settingsPath, aChange, func(r *http.Request) {
			if c.match != "" {
				r.Header.Set("If-Match", c.match)
			}
		})
		if resp.StatusCode != c.status || c.status == 200 && resp.Header.Get("ETag") != `"sha256:bb"` {
			t.Errorf("If-Match %s: %d %v %s, want %d", c.match, resp.StatusCode, resp.Header, body, c.status)
		}
	}
	last := h.closet.asked[len(h.closet.asked)-1]
	if last.By.ID != "ada" || last.By.By != record.ActorToken || last.Reason != "a test" || last.DryRun || last.Patch == nil {
		t.Errorf("%+v", last)
	}
}

func TestWhatBecomesOfAChangeOfSettings(t *testing.T) {
	h := open(t)
	const balance = settingsPath + "/balances/b-12"
	for _, c := range []struct {
		method, path, body string
		status             int
		says               string
	}{
		{"PATCH", settingsPath, strings.Replace(aChange, "a test", "wrong", 1), 422, "What is wrong: clock.ceiling: is out of range; allowed: 1ms to 1h; site: belongs to the host"},
		{"PATCH", settingsPath, strings.Replace(aChange, "a test", "wrong", 1), 422, `"errors":[{"location":"clock.ceiling","message":"is out of range; allowed: 1ms to 1h"},{"location":"site"`},
		{"PUT", balance, `{"settings": {"place": "x"}, "layout": {"line": "{weight}"}, "frames": ["MTIuMw=="], "dry_run": true, "reason": "moved", "by": "ada"}`, 200, `"outcome":"invalid"`},
		{"PUT", balance, `{"settings": {"place": "x"}, "frames": ["?"], "reason": "moved", "by": "ada"}`, 422, "rames is not of the form"},
		{"PUT", settingsPath + "/sinks/a", `{"settings": {"kind": "files"}, "layout": {}, "reason": "moved", "by": "ada"}`, 422, "Only a balance has a layout"},
		{"PATCH", settingsPath, strings.Replace(aChange, "a test", "clash", 1), 409, "A change waits."},
		{"PATCH", settingsPath, strings.Replace(aChange, "a test", "not you", 1), 403, "Two people are needed."},
		{"PATCH", settingsPath, strings.Replace(aChange, "a test", "full", 1), 503, "deadline"},
		{"PATCH", settingsPath, strings.Replace(aChange, `"by"`, `"dry_run": true, "by"`, 1), 200, `"path":"clock.ceiling"`},
		{"PATCH", settingsPath, strings.Replace(aChange, `"a test"`, `""`, 1), 422, "eason is missing"},
		{"PATCH", settingsPath, `{"reason": "x", "by": "ada"}`, 422, "Change is missing"},
		{"PATCH", settingsPath, `{"change": null, "reason": "x"}`, 422, "Change is not of the form"},
		{"PATCH", settingsPath, `{"change": {"a": 1, "a": 2}, "reason": "x"}`, 422, "twice"},
		{"PATCH", settingsPath, `{"change": {}`, 400, "no JSON"},
		{"PUT", balance, `{"settings": {"place": "x"}, "reason": "moved", "by": "ada"}`, 200, `"outcome":"holds"`},
		{"PUT", balance, `{"settings": {"id": "b-13"}, "reason": "moved", "by": "ada"}`, 422, "never given to another"},
		{"DELETE", balance + "?reason=gone&by=ada", "", 200, `"outcome":"holds"`},
		{"DELETE", balance + "?by=ada", "", 422, "eason is missing"},
		{"GET", settingsPath + "/clock", "", 200, `"value":{"servers":["time-1.example"]}`},
		{"GET", settingsPath + "/clok", "", 404, "There are: clock, sinks"},
		{"GET", pendingPath, "", 200, `"change":"c1"`},
		{"POST", pendingPath + "/c1/adopt", `{"reason": "right", "by": "ada"}`, 200, `"outcome":"holds"`},
		{"POST", pendingPath + "/c2/turn-down", `{"reason": "wrong", "by": "ada"}`, 412, "no longer"},
		{"POST", pendingPath + "/c1/adopt", `{"reason": "right", "change": {}}`, 422, "unknown"},
	} {
		resp, body := send(t, h, c.method, c.path, c.body, asSeen)
		if resp.StatusCode != c.status || !strings.Contains(body, c.says) {
			t.Errorf("%s %s %s: %d %s, want %d %s", c.method, c.path, c.body, resp.StatusCode, body, c.status, c.says)
		}
	}
	var put SettingsChange
	for _, a := range h.closet.asked {
		if a.Item != nil {
			put = a
		}
	}
	if put.List != "balances" || put.ID != "b-12" || put.Item["id"] != "b-12" {
		t.Errorf("%+v", put)
	}
	if len(h.closet.told) != 2 || !h.closet.told[0].Adopt || h.closet.told[1].Adopt || h.closet.told[0].Reason != "right" {
		t.Errorf("%+v", h.closet.told)
	}
}
