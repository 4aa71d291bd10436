package gateway_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

const killFolder = "WEIGHPOST_TEST_SETTINGS_KILL"

// TestKilledBetweenFileAndEntry kills a daemon just after it has written a change into the file, which is before or after the
// change is in the journal. Started again, it runs either as before, and says that what the file holds waits, or by the change;
// and the journal says which.
func TestKilledBetweenFileAndEntry(t *testing.T) {
	if dir := os.Getenv(killFolder); dir != "" {
		changeAndWait(t, dir)
		return
	}
	t.Parallel()
	seen := map[bool]int{}
	for round := range 6 {
		h := newHouse(t)
		text := strings.ReplaceAll(strings.ReplaceAll(policed, "HOW", "one"), "DIR/port-1", "/dev/no-such-port")
		h.write(t, "weighpost.yaml", text)
		child := exec.CommandContext(t.Context(), os.Args[0], "-test.run", "^TestKilledBetweenFileAndEntry$")
		child.Env = append(os.Environ(), killFolder+"="+h.dir)
		var said bytes.Buffer
		child.Stdout, child.Stderr = &said, &said
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		for limit := time.Now().Add(30 * time.Second); h.read(t) == text; {
			if time.Now().After(limit) {
				t.Fatalf("the file is not changed: %s", &said)
			}
			time.Sleep(100 * time.Microsecond) // asked without a pause, it takes from the daemon what that starts with
		}
		time.Sleep(time.Duration(round) * time.Millisecond)
		_ = child.Process.Kill()
		_ = child.Wait()
		seen[h.afterKill(t)]++
		h.stop(t)
	}
	t.Logf("the change held %d times, and waited %d times", seen[true], seen[false])
}

// changeAndWait is the daemon that is killed.
func changeAndWait(t *testing.T, dir string) {
	cfg, err := config.LoadFile(filepath.Join(dir, "weighpost.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	h := &house{Gateway: gateway.New(cfg, gateway.Options{Hasher: littleWork()}), dir: dir}
	if err := h.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	ada := keeper(t, "ada")
	_, hash := h.Settings()
	_, err = h.ChangeSettings(ada, console.SettingsChange{Seen: []string{hash}, By: byOf(ada), Reason: "moved", List: "balances", ID: "b-1",
		Item: map[string]any{"id": "b-1", "place": "Room 2", "port": map[string]any{"address": "/dev/no-such-port"}, "layout": "as.yaml"}})
	if err != nil {
		t.Error(err)
	}
	time.Sleep(10 * time.Second)
}

// afterKill starts the daemon again and says whether the change holds.
func (h *house) afterKill(t *testing.T) bool {
	t.Helper()
	cfg, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatalf("half a file is left: %v\n%s", err, h.read(t))
	}
	h.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := h.Start(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	holds := h.Balances()[0].Place == "Room 2"
	if holds == h.waits() || !strings.Contains(h.read(t), "Room 2") {
		t.Errorf("holds: %t, waits: %t\n%s", holds, h.waits(), h.read(t))
	}
	told := 0
	for _, c := range all[record.Configured](t, h, record.KindConfigured) {
		if slices.ContainsFunc(c.Changes, func(s string) bool { return strings.Contains(s, "Room 2") }) {
			told++
			if c.By.ID != "ada" || c.Reason != "moved" {
				t.Errorf("%+v", c)
			}
		}
	}
	pending := all[record.SettingsPending](t, h, record.KindSettingsPending)
	if holds && told != 1 || !holds && (told != 0 || len(pending) != 1) {
		t.Errorf("holds: %t, told by %d entries, %d pending", holds, told, len(pending))
	}
	if !holds && (pending[0].By.ID != "ada" || pending[0].Reason != "moved" || len(pending[0].Proposed) != 1 || pending[0].Proposed[0].ID != "ada") {
		t.Errorf("it does not wait as hers: %+v", pending[0])
	}
	if _, err := os.Stat(filepath.Join(h.dir, "journal", "settings-change.json")); err == nil {
		t.Error("the note is left behind")
	}
	return holds
}
