//go:build linux

package gateway_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

func sumOf(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "sha256:" + hex.EncodeToString(sum[:])
}

// TestAStartTellsWhoChangedTheFile: after a kill between file and entry, the change is recorded under the name of whoever made it,
// and where policy says two, they do not adopt it themselves. What was never written, or was written over, is not put on them alone.
func TestAStartTellsWhoChangedTheFile(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		how, file, note string // what the file says, and what the note says that it was to say; "-": there is none
		by, reason      string // of the entry that tells of it
		proposed        string
	}{
		"no policy":                      {"none", "Room 2", "Room 2", "ada", "moved", ""},
		"no policy and edited since":     {"none", "Room 3", "Room 2", "", "", ""},
		"no policy and nothing written":  {"none", "Room 1", "Room 2", "", "", ""},
		"no policy and no note":          {"none", "Room 2", "-", "", "", ""},
		"a note that cannot be read":     {"none", "Room 2", "?", "", "", ""},
		"two people":                     {"two", "Room 2", "Room 2", "ada", "moved", "ada"},
		"two people and edited since":    {"two", "Room 3", "Room 2", "ada", "moved", "ada,"},
		"two people and nothing written": {"two", "Room 1", "Room 2", "", "", ""},
		"two people and no note":         {"two", "Room 2", "-", "", "", ","},
	} {
		t.Run(name, func(t *testing.T) {
			h, text := newPoliced(t, c.how)
			h.stop(t)
			says := func(room string) string { return strings.Replace(text, "Room 1", room, 1) }
			h.write(t, "weighpost.yaml", says(c.file))
			note, err := json.Marshal(map[string]any{"by": record.Actor{ID: "ada", By: record.ActorPassword}, "reason": "moved",
				"before": sumOf(text), "after": sumOf(says(c.note))})
			if err != nil {
				t.Fatal(err)
			}
			switch c.note {
			case "-":
			case "?":
				h.write(t, "journal/settings-change.json", string(note[:len(note)/2]))
			default:
				h.write(t, "journal/settings-change.json", string(note))
			}
			h.onceMore(t)
			by, reason := "", ""
			for _, e := range all[record.Configured](t, h, record.KindConfigured) {
				if len(e.Changes) > 0 {
					by, reason = e.By.ID, e.Reason
				}
			}
			proposed := ""
			for _, e := range all[record.SettingsPending](t, h, record.KindSettingsPending) {
				by, reason = e.By.ID, e.Reason
				var ids []string
				for _, a := range e.Proposed {
					ids = append(ids, a.ID)
				}
				if proposed = strings.Join(ids, ","); proposed == "" {
					proposed = "," // the host alone
				}
			}
			if by != c.by || reason != c.reason || proposed != c.proposed {
				t.Errorf("by %q, reason %q, proposed by %q", by, reason, proposed)
			}
			if p := h.PendingSettings(); p != nil && strings.HasPrefix(c.proposed, "ada") {
				if _, err := h.decide(keeper(t, "ada"), p.Change, true); err == nil {
					t.Error("ada adopts her own change after a kill")
				}
			}
			if _, err := os.Stat(filepath.Join(h.dir, "journal", "settings-change.json")); err == nil {
				t.Error("the note is left behind")
			}
			h.stop(t)
		})
	}
}

// onceMore starts a daemon that was stopped.
func (h *house) onceMore(t *testing.T) {
	t.Helper()
	cfg, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	h.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := h.Start(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
}

// TestALayoutThatIsTurnedDownIsPutBack, together with the configuration file, whatever of the two was edited.
func TestALayoutThatIsTurnedDownIsPutBack(t *testing.T) {
	t.Parallel()
	for name, edit := range map[string][2]string{
		"the layout alone": {"Room 1", alsoLine}, "both": {"Room 2", alsoLine}, "the file alone": {"Room 2", asLine},
	} {
		t.Run(name, func(t *testing.T) {
			h, text := newPoliced(t, "one")
			h.write(t, "as.yaml", edit[1])
			if err := h.reload(t, strings.Replace(text, "Room 1", edit[0], 1)); err != nil {
				t.Fatal(err)
			}
			a, err := h.decide(keeper(t, "ada"), h.PendingSettings().Change, false)
			if err != nil || a.Outcome != console.SettingsDropped || h.waits() || h.read(t) != text {
				t.Fatalf("%+v %v\n%s", a, err, h.read(t))
			}
			layout, err := os.ReadFile(filepath.Join(h.dir, "as.yaml"))
			if err != nil || string(layout) != asLine {
				t.Errorf("the layout says %q %v", layout, err)
			}
			kept, err := os.ReadFile(filepath.Join(h.dir, "as.yaml.turned-down"))
			if edited := edit[1] != asLine; edited != (err == nil) || edited && (string(kept) != alsoLine || !strings.Contains(a.Note, "as.yaml")) {
				t.Errorf("%q %v, %q", kept, err, a.Note)
			}
			h.again(t)
			if h.waits() {
				t.Error("it comes back with a restart")
			}
			h.stop(t)
		})
	}
}

// TestALayoutBehindALinkIsPutBack: the link stays.
func TestALayoutBehindALinkIsPutBack(t *testing.T) {
	h, text := newPoliced(t, "one")
	h.write(t, "as.yaml", alsoLine)
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(h.dir, "as.yaml")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(h.dir, "also.yaml"), filepath.Join(h.dir, "as.yaml")); err != nil {
		t.Fatal(err)
	}
	a, err := h.decide(keeper(t, "ada"), h.PendingSettings().Change, false)
	if err != nil || a.Outcome != console.SettingsDropped {
		t.Errorf("%+v %v", a, err)
	}
	if b, err := os.ReadFile(filepath.Join(h.dir, "also.yaml")); err != nil || string(b) != asLine {
		t.Errorf("what the link leads to says %q %v", b, err)
	}
	h.stop(t)
}

// TestAStartTellsWhoTurnedDown: the file was put back, and the kill came before the entry.
func TestAStartTellsWhoTurnedDown(t *testing.T) {
	h, text := newPoliced(t, "one")
	edit := strings.Replace(text, "Room 1", "Room 2", 1)
	if err := h.reload(t, edit); err != nil {
		t.Fatal(err)
	}
	change := h.PendingSettings().Change
	h.stop(t)
	h.write(t, "weighpost.yaml", text)
	note, err := json.Marshal(map[string]any{"by": record.Actor{ID: "ada", By: record.ActorPassword}, "reason": "wrong room",
		"before": sumOf(edit), "after": sumOf(text), "turned_down": change})
	if err != nil {
		t.Fatal(err)
	}
	h.write(t, "journal/settings-change.json", string(note))
	h.onceMore(t)
	list := all[record.SettingsDecided](t, h, record.KindSettingsDecided)
	if len(list) != 1 || list[0].Decision != record.SettingsTurnedDown || list[0].By.ID != "ada" || list[0].Reason != "wrong room" || h.waits() {
		t.Errorf("%+v", list)
	}
	h.stop(t)
}
