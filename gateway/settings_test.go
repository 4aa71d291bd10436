//go:build linux

package gateway_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/settings"
	"weighpost/parsers/strict"
)

// person is a context in which somebody asks, with a role's rights and Adopt where it says so.
func person(t *testing.T, id string, more ...rights.Right) context.Context {
	t.Helper()
	return rights.With(t.Context(), rights.Who{Actor: record.Actor{ID: id, Name: "Dr " + id, Role: "it", By: record.ActorPassword, Where: "http 127.0.0.1"},
		Rights: rights.Of(more...), Person: id, Known: true})
}

func keeper(t *testing.T, id string) context.Context {
	return person(t, id, rights.Balances, rights.Sinks, rights.Settings, rights.Adopt)
}

func byOf(ctx context.Context) record.Actor { return rights.From(ctx).Actor }

// patch sends a merge patch on what holds.
func (h *house) patch(ctx context.Context, t *testing.T, change string) (console.SettingsAnswer, error) {
	t.Helper()
	v, err := settings.Decode([]byte(change))
	if err != nil {
		t.Fatal(err)
	}
	_, hash := h.Settings()
	return h.ChangeSettings(ctx, console.SettingsChange{Seen: []string{hash}, By: byOf(ctx), Reason: "a test", Patch: v})
}

func (h *house) decide(ctx context.Context, id string, adopt bool) (console.SettingsAnswer, error) {
	return h.DecideSettings(ctx, console.SettingsDecision{Change: id, Adopt: adopt, By: byOf(ctx), Reason: "looked at it"})
}

func (h *house) waits() bool {
	return slices.ContainsFunc(h.Conditions(), func(c health.Condition) bool { return c.Code == health.SettingsPending })
}

// again starts the daemon anew by the file as it is.
func (h *house) again(t *testing.T) {
	t.Helper()
	h.stop(t)
	h.anew(t)
}

// anew starts a daemon over the journal that another one left.
func (h *house) anew(t *testing.T) {
	t.Helper()
	cfg, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	h.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := h.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.up(t)
}

func (h *house) read(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// policed is a lab with a policy, in which DIR is the folder.
const policed = `# The seed bank.
site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
settings: {adopt: HOW, over: [balances, sinks]}
log: {level: info} # as usual
balances:
- id: b-1
  place: Room 1 # the cold one
  port: {address: DIR/port-1, speed: 115200}
  layout: as.yaml
`

func newPoliced(t *testing.T, how string) (*house, string) {
	t.Helper()
	h := newHouse(t, "port-1")
	text := strings.ReplaceAll(strings.ReplaceAll(policed, "HOW", how), "DIR", h.dir)
	h.start(t, text)
	return h, text
}

// TestAnEditOfTheFileWaitsForAPerson: what the policy is about stays as it was, over a reload and a restart and whatever else is
// edited, until somebody adopts it; the rest of the edit holds at once.
func TestAnEditOfTheFileWaitsForAPerson(t *testing.T) {
	h, text := newPoliced(t, "two")
	if h.waits() {
		t.Fatal("a first configuration waits: whoever installs it adopts it")
	}
	edit := strings.NewReplacer("Room 1", "Room 2", "level: info", "level: debug").Replace(text)
	if err := h.reload(t, edit); err != nil {
		t.Fatal(err)
	}
	held := func(when string) {
		t.Helper()
		if p := h.Balances()[0].Place; p != "Room 1" || h.Config().Log.Level != "debug" || !h.waits() {
			t.Fatalf("%s: the balance stands in %q, the log says %s, waits: %t", when, p, h.Config().Log.Level, h.waits())
		}
	}
	held("after a reload")
	first := h.PendingSettings()
	if !slices.Equal(first.Changes, []string{`balance b-1: place was changed from "Room 1" to "Room 2"`}) || !slices.Equal(first.Sections, []string{"balances"}) || first.Needs != "two" {
		t.Errorf("%+v", first)
	}
	h.again(t)
	held("after a restart")
	if p := h.PendingSettings(); p.Change != first.Change || p.Since != first.Since {
		t.Errorf("after a restart another change waits: %+v", p)
	}
	// The policy is no way around itself, and neither is a layout.
	h.write(t, "as.yaml", alsoLine)
	if err := h.reload(t, strings.ReplaceAll(edit, "adopt: two", "adopt: none")); err != nil {
		t.Fatal(err)
	}
	held("with the policy taken away in the file")
	second := h.PendingSettings()
	if second.Change == first.Change || !slices.Equal(second.Sections, []string{"balances", "settings"}) || len(second.Changes) != 3 {
		t.Errorf("%+v", second)
	}
	h.again(t)
	held("after a restart without the policy in the file")

	ada, bea := keeper(t, "ada"), keeper(t, "bea")
	if _, err := h.decide(ada, first.Change, true); !errors.Is(err, console.ErrSettingsMoved) {
		t.Errorf("what waits no longer is adopted: %v", err)
	}
	if _, err := h.decide(rights.With(t.Context(), rights.Host(record.Actor{ID: "root", By: record.ActorToken})), second.Change, true); !errors.As(err, new(*console.SettingsForbidden)) {
		t.Errorf("the host alone adopts: %v", err)
	}
	for _, lacking := range []rights.Right{rights.Balances, rights.Settings, rights.Adopt} {
		all := slices.DeleteFunc([]rights.Right{rights.Balances, rights.Settings, rights.Adopt}, func(r rights.Right) bool { return r == lacking })
		if _, err := h.decide(person(t, "cleo", all...), second.Change, true); !errors.As(err, new(*rights.Denied)) {
			t.Errorf("without the right %s: %v", lacking, err)
		}
	}
	held("after what was refused")
	if a, err := h.decide(bea, second.Change, true); err != nil || a.Outcome != console.SettingsHold {
		t.Fatal(a, err)
	}
	if h.waits() || h.Balances()[0].Place != "Room 2" || h.PendingSettings() != nil || h.Config().Settings.Adopt != "none" {
		t.Errorf("it is adopted and does not hold: %+v", h.Balances()[0])
	}
	h.stop(t)
	pending, decided := all[record.SettingsPending](t, h, record.KindSettingsPending), all[record.SettingsDecided](t, h, record.KindSettingsDecided)
	if len(pending) != 2 || pending[0].Change != first.Change || pending[1].Replaces != first.Change || len(pending[1].Layouts) != 1 || pending[1].By == nil {
		t.Errorf("%d pending: %+v", len(pending), pending)
	}
	if len(decided) != 1 || decided[0].Decision != record.SettingsAdopted || decided[0].By.ID != "bea" || decided[0].Reason == "" {
		t.Errorf("%+v", decided)
	}
	configured := all[record.Configured](t, h, record.KindConfigured)
	last := configured[len(configured)-1]
	if last.Adopted != second.Change || last.By.Name != "Dr bea" || last.By.Role != "it" || last.Reason != "looked at it" || last.Waiting != nil || len(last.Changes) != 3 {
		t.Errorf("%+v", last)
	}
	adopted := 0
	for _, c := range configured {
		if slices.ContainsFunc(c.Changes, func(s string) bool { return strings.Contains(s, "Room 2") }) {
			adopted++
		}
	}
	if adopted != 1 {
		t.Errorf("the change is told by %d entries", adopted)
	}
}

// TestAChangeByTheAPIIsInTheFileAndInOneEntry, and a change that was not seen is refused.
func TestAChangeByTheAPIIsInTheFileAndInOneEntry(t *testing.T) {
	h, text := newPoliced(t, "one")
	ada := keeper(t, "ada")
	_, seen := h.Settings()
	a, err := h.patch(ada, t, `{"log": {"level": "warn"}, "clock": {"ceiling": "1s"}}`)
	if err != nil || a.Outcome != console.SettingsHold || len(a.Changes) != 2 {
		t.Fatalf("%+v %v", a, err)
	}
	if _, now := h.Settings(); now != a.Hash || now == seen || h.Config().Log.Level != "warn" {
		t.Errorf("it does not hold: %s %s", now, a.Hash)
	}
	if got, want := h.read(t), strings.Replace(text, "log: {level: info} # as usual", "log:\n  level: warn", 1); !strings.Contains(got, "# The seed bank.") ||
		!strings.Contains(got, "# the cold one") || !strings.Contains(got, "ceiling: 1s") || strings.Contains(got, "info") {
		t.Errorf("the file says\n%s\nwant\n%s", got, want)
	}
	change := console.SettingsChange{Seen: []string{seen}, By: byOf(ada), Reason: "late", Patch: map[string]any{"log": nil}}
	if _, err := h.ChangeSettings(ada, change); !errors.Is(err, console.ErrSettingsMoved) {
		t.Errorf("what has moved is changed: %v", err)
	}
	// Under the policy one, an entitled person is the one that it takes; a program and the host's token are nobody.
	item := func() map[string]any {
		doc, _ := h.Settings()
		return doc["balances"].([]any)[0].(map[string]any)
	}
	one := item()
	one["place"] = "Room 3"
	put := func(ctx context.Context) (console.SettingsAnswer, error) {
		_, hash := h.Settings()
		return h.ChangeSettings(ctx, console.SettingsChange{Seen: []string{hash}, By: byOf(ctx), Reason: "moved", List: "balances", ID: "b-1", Item: one})
	}
	if _, err := put(person(t, "cleo", rights.Sinks, rights.Settings)); !errors.As(err, new(*rights.Denied)) {
		t.Errorf("without the right balances: %v", err)
	}
	if a, err := put(ada); err != nil || a.Outcome != console.SettingsHold || h.Balances()[0].Place != "Room 3" {
		t.Fatalf("%+v %v", a, err)
	}
	if a, err := put(ada); err != nil || a.Outcome != console.SettingsSame {
		t.Errorf("what is, again: %+v %v", a, err)
	}
	one["place"] = "Room 4"
	host := rights.With(t.Context(), rights.Host(record.Actor{ID: "root", By: record.ActorToken}))
	if a, err := put(host); err != nil || a.Outcome != console.SettingsWait || h.Balances()[0].Place != "Room 3" {
		t.Fatalf("%+v %v", a, err)
	}
	if _, err := h.patch(ada, t, `{"log": {"level": "info"}}`); !errors.As(err, new(*console.SettingsConflict)) {
		t.Errorf("something is changed while another change waits: %v", err)
	}
	if a, err := h.decide(ada, h.PendingSettings().Change, false); err != nil || a.Outcome != console.SettingsDropped || h.waits() || h.Balances()[0].Place != "Room 3" {
		t.Errorf("%+v %v", a, err)
	}
	if b, err := os.ReadFile(h.file() + ".turned-down"); err != nil || !strings.Contains(string(b), "Room 4") || !strings.Contains(h.read(t), "place: Room 3 # the cold one") {
		t.Errorf("%v: the file is not put back:\n%s", err, h.read(t))
	}
	h.again(t)
	if h.waits() || h.Balances()[0].Place != "Room 3" {
		t.Error("a restart brings back what was turned down")
	}
	h.stop(t)
	byAda := 0
	for _, c := range all[record.Configured](t, h, record.KindConfigured) {
		if c.By.ID == "ada" && len(c.Changes) > 0 {
			byAda++
		}
	}
	if byAda != 2 {
		t.Errorf("two changes are told by %d entries", byAda)
	}
}

// TestTwoPeople: nobody adopts their own change, however it is proposed again.
func TestTwoPeople(t *testing.T) {
	h, _ := newPoliced(t, "two")
	ada, bea := keeper(t, "ada"), keeper(t, "bea")
	a, err := h.patch(ada, t, `{"balances": [], "log": {"level": "warn"}}`)
	if err != nil || a.Outcome != console.SettingsWait || len(h.Balances()) != 1 || h.Config().Log.Level != "warn" {
		t.Fatalf("%+v %v", a, err)
	}
	if _, err := h.decide(ada, a.Pending, true); !errors.As(err, new(*console.SettingsForbidden)) {
		t.Errorf("ada adopts her own change: %v", err)
	}
	if err := h.reload(t, strings.Replace(h.read(t), "level: warn", "level: warn\nsinks: [{id: s-1, kind: files, folder: "+t.TempDir()+"}]", 1)); err != nil {
		t.Fatal(err)
	}
	p := h.PendingSettings()
	if p.Change == a.Pending || len(p.Proposed) != 2 || p.Proposed[0].ID != "ada" {
		t.Errorf("%+v", p)
	}
	h.again(t)
	if _, err := h.decide(ada, p.Change, true); !errors.As(err, new(*console.SettingsForbidden)) {
		t.Errorf("ada adopts what she has a part in: %v", err)
	}
	if a, err := h.decide(bea, p.Change, true); err != nil || a.Outcome != console.SettingsHold || len(h.Balances()) != 0 || len(h.Sinks()) != 1 {
		t.Errorf("%+v %v", a, err)
	}
	h.stop(t)
}

// TestWhatCannotBeTakenFromTheJournalIsNotGuessed: an address whose end is no part of the journal was edited while nobody ran.
func TestWhatCannotBeTakenFromTheJournalIsNotGuessed(t *testing.T) {
	h := newHouse(t, "port-1")
	text := strings.ReplaceAll(policed, "HOW", "one") + "sinks:\n- {id: s-1, kind: http, url: \"http://127.0.0.1:9/in?room=1\"}\n"
	h.start(t, text)
	h.stop(t)
	for _, c := range []struct{ old, new, want string }{
		{"room=1", "room=2", "cannot be taken from the journal"},
		{"level: info", "level: debug", ""},
		{"Room 1", "Room 2", ""},
	} {
		edit := strings.ReplaceAll(strings.Replace(text, c.old, c.new, 1), "DIR", h.dir)
		h.write(t, "weighpost.yaml", edit)
		cfg, err := config.LoadFile(h.file())
		if err != nil {
			t.Fatal(err)
		}
		h.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
		err = h.Start(t.Context())
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Fatalf("%s: %v", c.new, err)
		}
		if err == nil {
			if h.Balances()[0].Place != "Room 1" {
				t.Errorf("%s: %+v", c.new, h.Balances()[0])
			}
			h.stop(t)
		}
	}
}

// TestTheAPIKeepsOffTheHost: no request has weighpost read, write or send what the host has not given it.
func TestTheAPIKeepsOffTheHost(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "port-1")
	for name, text := range map[string]string{"token": "hunter2", "secrets/web": "s3cret", "secrets/far": "x", "layouts/more.yaml": alsoLine} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(h.dir, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		h.write(t, name, text)
	}
	if err := errors.Join(os.Remove(filepath.Join(h.dir, "secrets/far")), os.Symlink("/etc/passwd", filepath.Join(h.dir, "secrets/far"))); err != nil {
		t.Fatal(err)
	}
	h.start(t, strings.Replace(base[:strings.Index(base, "- id: b-2")]+base[strings.Index(base, "sinks:"):], "sinks:", "log: {level: info}\nsinks:", 1))
	ada := keeper(t, "ada")
	sink := func(more string) string {
		return `{"sinks": [{"id": "s-9", "kind": "http", "url": "http://127.0.0.1:9/"` + more + `}]}`
	}
	for _, c := range []struct{ change, path string }{
		{`{"site": "other"}`, "site"}, {`{"page": {"listen": "127.0.0.1:9999"}}`, "page"}, {`{"page": null}`, "page"},
		{`{"journal": {"folder": "/tmp/x"}}`, "journal.folder"}, {`{"backup": {"folder": "/srv"}}`, "backup.folder"},
		{sink(`, "bearer": "file:/etc/passwd"`), "sinks[0].bearer"}, {sink(`, "bearer": "env:HOME"`), "sinks[0].bearer"},
		{sink(`, "bearer": "file:DIR/secrets/../as.yaml"`), "sinks[0].bearer"}, {sink(`, "bearer": "file:DIR/secrets/far"`), "sinks[0].bearer"},
		{sink(`, "bearer": "file:DIR/secrets/none"`), "sinks[0].bearer"}, {sink(`, "bearer": "file:DIR/secrets"`), "sinks[0].bearer"},
		{sink(`, "bearer": "hunter2-itself"`), "sinks[0].bearer"}, {sink(`, "ca": "/etc/passwd"`), "sinks[0].ca"},
		{sink(`, "headers": {"x": "file:/etc/passwd"}`), "sinks[0].headers.x"},
		{`{"sinks": [{"id": "s-9", "kind": "files", "folder": "/etc"}]}`, "sinks[0].folder"},
		{`{"balances": [{"id": "b-1", "port": {"address": "/etc/passwd"}, "layout": "as.yaml"}]}`, "balances[0].port.address"},
		{`{"balances": [{"id": "b-1", "port": {"address": "/dev/../etc/passwd"}, "layout": "as.yaml"}]}`, "balances[0].port.address"},
		{`{"balances": [{"id": "b-1", "port": {"address": "/dev/ttyS7"}, "layout": "/etc/passwd"}]}`, "balances[0].layout"},
		{`{"balances": [{"id": "b-1", "port": {"address": "/dev/ttyS7"}, "layout": "layouts/../also.yaml"}]}`, "balances[0].layout"},
		{`{"log": {"level": "loud"}}`, "log.level"}, {`{"log": {"levle": "info"}}`, "log.levle"}, {`{"log": {"a b": 1}}`, "log"}, {`{"log": [null]}`, "log[0]"},
	} {
		before := h.read(t)
		_, err := h.patch(ada, t, strings.ReplaceAll(c.change, "DIR", h.dir))
		var faults strict.Faults
		if !errors.As(err, &faults) || !slices.ContainsFunc(faults, func(f strict.Fault) bool { return f.Path == c.path }) {
			t.Errorf("%s: %v, want a fault at %s", c.change, err, c.path)
		}
		if err != nil && (strings.Contains(err.Error(), "hunter2") || strings.Contains(err.Error(), "root:")) {
			t.Errorf("%s: the message tells too much: %v", c.change, err)
		}
		if h.read(t) != before {
			t.Fatalf("%s: refused, and the file was changed", c.change)
		}
	}
	for _, change := range []string{
		sink(`, "bearer": "file:DIR/token"`), sink(`, "bearer": "file:DIR/secrets/web"`),
		`{"balances": [{"id": "b-1", "port": {"address": "DIR/port-1", "speed": 115200}, "layout": "layouts/more.yaml"}]}`,
		`{"balances": [{"id": "b-1", "port": {"address": "/dev/ttyS7"}, "layout": "layouts/more.yaml"}]}`,
	} {
		change = strings.ReplaceAll(change, "DIR", h.dir)
		if a, err := h.patch(ada, t, change); err != nil || a.Outcome != console.SettingsHold {
			t.Errorf("%s: %+v %v", change, a, err)
		}
	}
	h.stop(t)
}

// TestABalanceIsTakenAway, and a sink, each over HTTP with the host's token: one entry, and gone from the file.
func TestABalanceIsTakenAway(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "port-1", "port-2")
	h.write(t, "token", "x")
	h.start(t, base)
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	for _, route := range []string{"balances/b-2", "sinks/s-2"} {
		if status, answer := request(t, h.Gateway, "DELETE", "api/v1/settings/"+route+"?reason=gone&by=ada", token, ""); status != 200 {
			t.Errorf("%s: %d %s", route, status, answer)
		}
		if status, answer := request(t, h.Gateway, "DELETE", "api/v1/settings/"+route+"?reason=gone&by=ada", token, ""); status != 409 {
			t.Errorf("%s once more: %d %s", route, status, answer)
		}
	}
	if text := h.read(t); strings.Contains(text, "b-2") || strings.Contains(text, "s-2") || !strings.Contains(text, "s-3") || len(h.Balances()) != 1 || len(h.Sinks()) != 2 {
		t.Errorf("%s", text)
	}
	h.stop(t)
	n := 0
	for _, c := range all[record.Configured](t, h, record.KindConfigured) {
		if c.By.By == record.ActorToken && c.By.ID == "ada" && c.Reason == "gone" && len(c.Changes) == 1 {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d entries", n)
	}
}

// TestAnEditOnTheHostIsNotOverwritten: neither before it is reloaded, nor while a change is carried out.
func TestAnEditOnTheHostIsNotOverwritten(t *testing.T) {
	h, text := newPoliced(t, "one")
	edit := strings.Replace(text, "level: info", "level: debug", 1)
	h.write(t, "weighpost.yaml", edit)
	ada := keeper(t, "ada")
	if _, err := h.patch(ada, t, `{"clock": {"ceiling": "1s"}}`); !errors.As(err, new(*console.SettingsConflict)) || !strings.Contains(err.Error(), "edited on the host") {
		t.Errorf("%v", err)
	}
	h.write(t, "weighpost.yaml", edit+"x: [")
	if _, err := h.patch(ada, t, `{"clock": {"ceiling": "1s"}}`); !errors.As(err, new(*console.SettingsConflict)) || !strings.Contains(err.Error(), "mistakes") {
		t.Errorf("%v", err)
	}
	if h.read(t) != edit+"x: [" {
		t.Error("the edit is gone")
	}
	// Only words of no meaning: those stay beside the change.
	h.write(t, "weighpost.yaml", text+"# left on the host\n")
	if a, err := h.patch(ada, t, `{"clock": {"ceiling": "1s"}}`); err != nil || a.Outcome != console.SettingsHold || !strings.Contains(h.read(t), "# left on the host") {
		t.Errorf("%+v %v\n%s", a, err, h.read(t))
	}
	h.stop(t)
}

// TestManyChangeAtOnce: reloads, changes, decisions and the end, all together. Of changes that saw the same settings one holds;
// each that holds is one entry, and what runs in the end is what the journal and the file say.
func TestManyChangeAtOnce(t *testing.T) {
	t.Parallel()
	h, _ := newPoliced(t, "two")
	var wg sync.WaitGroup
	var held, moved atomic.Int32
	_, seen := h.Settings()
	for i := range 4 {
		wg.Go(func() { // all saw the same
			ctx := keeper(t, fmt.Sprintf("p-%d", i))
			_, err := h.ChangeSettings(ctx, console.SettingsChange{Seen: []string{seen}, By: byOf(ctx), Reason: "at once",
				Patch: map[string]any{"clock": map[string]any{"ceiling": fmt.Sprintf("%ds", i+2)}}})
			switch {
			case err == nil:
				held.Add(1)
			case errors.Is(err, console.ErrSettingsMoved):
				moved.Add(1)
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if held.Load() != 1 || moved.Load() != 3 {
		t.Errorf("of four, %d hold and %d are told that it moved", held.Load(), moved.Load())
	}
	for i := range 3 {
		wg.Go(func() {
			ctx := keeper(t, fmt.Sprintf("q-%d", i))
			for n := range 6 {
				_, hash := h.Settings()
				_, _ = h.ChangeSettings(ctx, console.SettingsChange{Seen: []string{hash}, By: byOf(ctx), Reason: "again and again",
					Patch: map[string]any{"log": map[string]any{"level": []string{"info", "debug"}[n%2]}}})
				_, _ = h.ChangeSettings(ctx, console.SettingsChange{Seen: []string{hash}, By: byOf(ctx), Reason: "again and again", List: "balances", ID: "b-1",
					Item: map[string]any{"id": "b-1", "place": fmt.Sprintf("Room %d", n), "layout": "as.yaml",
						"port": map[string]any{"address": filepath.Join(h.dir, "port-1"), "speed": json.Number("115200")}}})
				if p := h.PendingSettings(); p != nil {
					_, _ = h.decide(ctx, p.Change, (i+n)%2 == 0)
				}
			}
		})
		wg.Go(func() {
			for range 6 {
				_ = h.ReloadFile(t.Context(), h.file())
				h.Conditions()
			}
		})
	}
	wg.Wait()
	wg.Go(func() { _ = h.ReloadFile(t.Context(), h.file()) })
	wg.Go(func() { _, _ = h.patch(keeper(t, "late"), t, `{"log": null}`) })
	h.stop(t)
	wg.Wait()
	now := h.Config()
	configured := all[record.Configured](t, h, record.KindConfigured)
	last := configured[len(configured)-1]
	for i := len(configured) - 1; i >= 0 && last.Refused != ""; i-- {
		last = configured[i]
	}
	if last.To != now.Hash() {
		t.Errorf("it ran by %s, and the journal says %s", now.Hash(), last.To)
	}
	file, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	if d := config.Differing(now, file); len(d) > 0 && last.Waiting == nil {
		t.Errorf("the file differs in %v, and nothing waits", d)
	}
}

// TestThePageMovesOnceItHasAnswered: whoever adopts another address of the page does it through the page.
func TestThePageMovesOnceItHasAnswered(t *testing.T) {
	h := newHouse(t, "port-1")
	text := strings.ReplaceAll(strings.ReplaceAll(strings.Replace(policed, "[balances, sinks]", "[page]", 1), "HOW", "one"), "DIR", h.dir)
	h.start(t, text)
	before := h.PageURL()
	if err := h.reload(t, strings.Replace(text, `"127.0.0.1:0"`, `"localhost:0"`, 1)); err != nil {
		t.Fatal(err)
	}
	if h.PageURL() != before {
		t.Fatal("the page moves before anybody has adopted it")
	}
	if _, err := h.decide(keeper(t, "ada"), h.PendingSettings().Change, true); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return h.PageURL() != before }, "the page does not move")
	if status, answer := request(t, h.Gateway, "GET", "healthz", "", ""); status != 200 {
		t.Errorf("%d %s", status, answer)
	}
	h.stop(t)
}
