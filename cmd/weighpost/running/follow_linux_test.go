package running

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// follower is a program that follows the journal, and after every break goes on after the last id that it got.
type follower struct {
	url string

	mu      sync.Mutex
	last    string
	ids     []string // in the order in which they came
	entries []string
	breaks  int
}

// run follows until ctx ends.
func (f *follower) run(ctx context.Context) {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for ctx.Err() == nil {
		f.once(ctx, client)
		f.mu.Lock()
		f.breaks++
		f.mu.Unlock()
		time.Sleep(10 * time.Millisecond)
	}
}

// once follows until the connection ends. What was cut off is no event: HTML Standard, section 9.2.6, the last paragraph.
func (f *follower) once(ctx context.Context, client *http.Client) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, f.url, nil)
	if err != nil {
		return
	}
	f.mu.Lock()
	if f.last != "" {
		req.Header.Set("Last-Event-ID", f.last)
	}
	f.mu.Unlock()
	resp, err := client.Do(req)
	if err != nil {
		return
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		f.mu.Lock()
		f.entries = append(f.entries, "refused: "+resp.Status)
		f.mu.Unlock()
		return
	}
	name, id, data := "", "", ""
	for lines := bufio.NewReader(resp.Body); ; {
		text, err := lines.ReadString('\n')
		if err != nil {
			return
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(text, "\n"), ": ")
		switch field {
		case "event":
			name = value
		case "id":
			id = value
		case "data":
			data = value
		case "":
			f.mu.Lock()
			if id != "" {
				f.last = id
			}
			if name != "begin" && data != "" {
				f.ids, f.entries = append(f.ids, id), append(f.entries, data)
			}
			f.mu.Unlock()
			name, id, data = "", "", ""
		}
	}
}

func (f *follower) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.entries)
}

// TestAStreamHasNoGapWhenTheDaemonIsKilled kills the daemon at random moments while two balances print. Who follows the journal
// and who follows the weighings get each entry once and in order, as the journal has it, and nothing that it has not.
func TestAStreamHasNoGapWhenTheDaemonIsKilled(t *testing.T) {
	t.Parallel()
	rounds, _, dice := needs.Kills(t, 5)
	r, base := followRig(t)
	all, weighings := &follower{url: base + "journal/stream?after=0"}, &follower{url: base + "weighings/stream?balance=b-1&after=0"}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	printing, quiet := context.WithCancel(ctx)
	var printers, followers sync.WaitGroup
	for _, c := range r.balances {
		printers.Go(func() { c.print(printing, 12*time.Millisecond) })
	}
	for _, f := range []*follower{all, weighings} {
		followers.Go(func() { f.run(ctx) })
	}
	var daemon *exec.Cmd
	for range rounds {
		daemon = r.start(t)
		if dice.IntN(5) > 0 { // four in five are killed at work, one in five while it starts
			before := weighings.count()
			comesAbout(t, func() bool { return weighings.count() > before }, "nothing comes")
		}
		time.Sleep(time.Duration(dice.IntN(200)) * time.Millisecond)
		_ = daemon.Process.Signal(syscall.SIGKILL)
		_ = daemon.Wait()
	}
	daemon = r.start(t)
	before := weighings.count()
	comesAbout(t, func() bool { return weighings.count() > before }, "nothing comes after the last start")
	quiet()
	printers.Wait()
	for n := -1; n != all.count()+weighings.count(); time.Sleep(500 * time.Millisecond) {
		n = all.count() + weighings.count()
	}
	stop()
	followers.Wait()
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	of := func(e record.Entry) bool { return e.Kind == record.KindWeighing && e.Balance == "b-1" }
	all.judge(t, r.journal, func(record.Entry) bool { return true })
	weighings.judge(t, r.journal, of)
	t.Logf("%d entries and %d weighings over %d connections", all.count(), weighings.count(), all.breaks)
}

// judge holds what came against the journal, whose end, written when the daemon ended, nobody followed any more.
func (f *follower) judge(t *testing.T, dir string, wanted func(record.Entry) bool) {
	t.Helper()
	var want []record.Entry
	err := journal.Scan(t.Context(), dir, 0, func(e record.Entry) error {
		if wanted(e) {
			want = append(want, e)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range want[min(len(f.entries), len(want)):] {
		if e.Kind == record.KindWeighing {
			t.Errorf("%s never came", e.ID)
		}
	}
	if len(f.entries) > len(want) || len(f.entries) < 20 {
		t.Fatalf("%d came, the journal has %d", len(f.entries), len(want))
	}
	for i, got := range f.entries {
		if got != string(want[i].JSON) || f.ids[i] != strings.Split(want[i].ID, "/")[1]+"."+fmt.Sprint(want[i].Seq) {
			t.Fatalf("event %d is %s %.300s\nthe journal has %.300s", i, f.ids[i], got, want[i].JSON)
		}
	}
}

// followRig is a daemon that can be killed and listens where it listened before, with two balances that record every line, and
// where its API is.
func followRig(t *testing.T) (*rig, string) {
	t.Helper()
	dir := t.TempDir()
	r := &rig{program: program(t, dir), config: filepath.Join(dir, "weighpost.yaml"), journal: filepath.Join(dir, "journal")}
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	at := needs.FreeAddress(t)
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: %q}\nbalances:\n", r.journal, at)
	for i := range 2 {
		c := &counter{id: fmt.Sprintf("b-%d", i+1), cord: pty.NewCord(filepath.Join(dir, fmt.Sprintf("port-%d", i+1)))}
		if err := c.cord.Plug(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.cord.Pull() })
		r.balances = append(r.balances, c)
		text += fmt.Sprintf("  - {id: %s, port: {address: %q}, layout: %q, record: all}\n", c.id, c.cord.Path(), layout)
	}
	if err := os.WriteFile(r.config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return r, "http://" + at + "/api/v1/"
}

func comesAbout(t *testing.T, f func() bool, otherwise string) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal(otherwise)
		}
	}
}
