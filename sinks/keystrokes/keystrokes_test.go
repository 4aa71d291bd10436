//go:build unix

package keystrokes

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestKeymapsAreThoseOfXKB has xkbcli (libxkbcommon, data of xkeyboard-config), which we did not write, say by which key each character is
// made. Its key codes are those of the kernel and 8; the kernel's count along the rows of a keyboard.
func TestKeymapsAreThoseOfXKB(t *testing.T) {
	needs.Programs(t, "xkbcli")
	firsts := [4]int{2, 16, 30, 44} // KEY_1, KEY_Q, KEY_A, KEY_Z of linux/input-event-codes.h
	var wg sync.WaitGroup
	for name, m := range keymaps {
		for modifier, texts := range map[string][4]string{"[ ]": m.plain, "[ Shift ]": m.shifted} {
			wg.Go(func() {
				for row, text := range texts {
					for at, r := range []rune(text) {
						if r == ' ' {
							continue
						}
						want := strconv.Itoa(firsts[row] + at + 8)
						out, err := exec.Command("xkbcli", "how-to-type", "--layout", name, fmt.Sprintf("%#x", r)).CombinedOutput()
						if err != nil || !typedBy(string(out), want, modifier) {
							t.Errorf("%s: %q by key %s %s; xkbcli says (%v):\n%s", name, r, want, modifier, err, out)
						}
					}
				}
			})
		}
	}
	wg.Wait()
}

// typedBy says whether a line of xkbcli's table has this key and these modifiers.
func typedBy(table, key, modifier string) bool {
	for line := range strings.Lines(table) {
		if f := strings.Fields(line); len(f) > 0 && f[0] == key && strings.HasSuffix(strings.TrimSpace(line), modifier) {
			return true
		}
	}
	return false
}

// computer is the other computer: it fetches reports.
type computer struct {
	path string
	mu   sync.Mutex
	got  []byte
}

// attach makes a keyboard device of which reports are read until limit bytes came, or for ever with -1.
func attach(t *testing.T, limit int) *computer {
	t.Helper()
	c := &computer{path: filepath.Join(t.TempDir(), "hidg0")}
	if err := syscall.Mkfifo(c.path, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(c.path, os.O_RDWR, 0) // both ends, so that it stays while the sink opens and closes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	if limit == 0 {
		return c
	}
	go func() {
		b := make([]byte, 8)
		for n := 0; limit < 0 || n < limit; n += 8 {
			if _, err := io.ReadFull(f, b); err != nil {
				return
			}
			c.mu.Lock()
			c.got = append(c.got, b...)
			c.mu.Unlock()
		}
	}()
	return c
}

// text is what the other computer makes of the reports, by a keyboard map, and how many keys came.
func (c *computer) text(t *testing.T, name string, reports int) string {
	t.Helper()
	for limit := time.Now().Add(5 * time.Second); ; time.Sleep(time.Millisecond) {
		c.mu.Lock()
		got := bytes.Clone(c.got)
		c.mu.Unlock()
		if len(got) < reports*8 && time.Now().Before(limit) {
			continue
		}
		back := map[stroke]string{named["enter"]: "\n", named["home"]: "<home>"}
		for r, s := range keymaps[name].strokesOf() {
			back[s] = string(r)
		}
		text := ""
		for at := 0; at+16 <= len(got); at += 16 {
			if !bytes.Equal(got[at+8:at+16], make([]byte, 8)) {
				t.Fatalf("a key was not let go: % x", got[at:at+16])
			}
			text += back[stroke{got[at], got[at+2]}]
		}
		return text
	}
}

func sink(t *testing.T, c *computer, change func(*Config)) *Sink {
	t.Helper()
	cfg := Default()
	cfg.Device, cfg.KeyTime = c.path, strict.Duration(time.Microsecond)
	if change != nil {
		change(cfg)
	}
	s, err := New(*cfg, "cursor", sinks.Env{Site: "north-seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// now are weighings in range, made just now.
func now(t *testing.T, n int) (entries []record.Entry, digits []string) {
	t.Helper()
	for _, e := range sinktest.Weighings(2*n, 5) {
		var w map[string]any
		var head record.Weighing
		if json.Unmarshal(e.JSON, &w) != nil || json.Unmarshal(e.JSON, &head) != nil || head.Value.Digits == "" || len(entries) == n {
			continue
		}
		w["stamp"].(map[string]any)["utc"] = record.UTC(time.Now()).String()
		e.JSON, _ = json.Marshal(w)
		entries, digits = append(entries, e), append(digits, head.Value.Digits)
	}
	return entries, digits
}

// TestDigitsAreTyped as they were printed, with the keys before and after, in each map.
func TestDigitsAreTyped(t *testing.T) {
	for name := range keymaps {
		c := attach(t, -1)
		s := sink(t, c, func(cfg *Config) { cfg.Map, cfg.Before = name, []string{"home"} })
		entries, digits := now(t, 60)
		if n, err := s.Deliver(t.Context(), entries); n != len(entries) || err != nil {
			t.Fatal(n, err)
		}
		want, reports := "", 0
		for _, d := range digits {
			want += "<home>" + d + "\n"
			reports += 2 * (len(d) + 2)
		}
		if got := c.text(t, name, reports); got != want {
			t.Errorf("%s: typed %q, want %q", name, got, want)
		}
		if told := s.Receipts(); len(told) != len(entries) || told[0].Given != "typed" || told[0].ID != entries[0].ID || len(s.Receipts()) != 0 {
			t.Errorf("%d receipts", len(told))
		}
	}
}

// TestWhatIsLateIsNotTyped, nor what is old; it is told, and what is behind it goes on.
func TestWhatIsLateIsNotTyped(t *testing.T) {
	c := attach(t, -1)
	s := sink(t, c, nil)
	entries, digits := now(t, 2)
	late := entries[0]
	late.Late = true
	old := sinktest.Weighings(1, 5)[0] // of another day
	if n, err := s.Deliver(t.Context(), []record.Entry{late, old, entries[1]}); n != 3 || err != nil {
		t.Fatal(n, err)
	}
	if got := c.text(t, "us", 2*(len(digits[1])+1)); got != digits[1]+"\n" {
		t.Errorf("typed %q", got)
	}
	if told := s.Receipts(); len(told) != 3 || !strings.HasPrefix(told[0].Given, "not typed: it comes late") || !strings.HasPrefix(told[1].Given, "not typed: it was") {
		t.Errorf("%+v", told)
	}
}

// TestAPartIsNeverTypedAgain: the other computer stops fetching in the middle of a number.
func TestAPartIsNeverTypedAgain(t *testing.T) {
	c := attach(t, 0)
	if f, err := os.OpenFile(c.path, os.O_RDWR|syscall.O_NONBLOCK, 0); err != nil {
		t.Fatal(err)
	} else {
		block := make([]byte, 4096)
		for { // leave room for two reports and a key that is not let go
			if _, err := syscall.Write(int(f.Fd()), block); err != nil {
				break
			}
		}
		if _, err := io.ReadFull(f, block); err != nil {
			t.Fatal(err)
		}
		for range 4096/8 - 3 {
			_, _ = f.Write(make([]byte, 8))
		}
		defer f.Close()
	}
	s := sink(t, c, nil)
	entries, _ := now(t, 2)
	n, err := s.Deliver(t.Context(), entries)
	told := s.Receipts()
	if n != 1 || err == nil || len(told) != 1 || !strings.HasPrefix(told[0].Given, "typed only in part, 2 of") {
		t.Errorf("%d, %v, %+v", n, err, told)
	}
}

// TestWhatCannotBeTypedIsRefused, and a keyboard that is not there is tried again.
func TestWhatCannotBeTypedIsRefused(t *testing.T) {
	c := attach(t, -1)
	entries, _ := now(t, 1)
	s := sink(t, c, func(cfg *Config) { cfg.Text, cfg.Template.Text = Template, "{{.value.digits}} \u2713" })
	var refused sinks.Refused
	if n, err := s.Deliver(t.Context(), entries); n != 0 || !errors.As(err, &refused) {
		t.Errorf("%d, %v", n, err)
	}
	s = sink(t, &computer{path: filepath.Join(t.TempDir(), "hidg9")}, nil)
	if n, err := s.Deliver(t.Context(), entries); n != 0 || err == nil || errors.As(err, &refused) {
		t.Errorf("%d, %v", n, err)
	}
	for _, r := range "\x1b\x08\x7f\u0000" {
		if _, err := typed(s.keys, string(r)); err == nil {
			t.Errorf("%U is typed", r)
		}
	}
}

// TestTypingEndsWithItsContext: what is not begun is left, and so are further keys.
func TestTypingEndsWithItsContext(t *testing.T) {
	c := attach(t, -1)
	s := sink(t, c, func(cfg *Config) { cfg.KeyTime = strict.Duration(20 * time.Millisecond) })
	entries, _ := now(t, 40)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	began := time.Now()
	n, err := s.Deliver(ctx, entries)
	if n > 1 || err == nil || time.Since(began) > 3*time.Second {
		t.Errorf("%d entries, %v, after %s", n, err, time.Since(began))
	}
	if n, err := s.Deliver(ctx, entries[1:]); n != 0 || err == nil {
		t.Errorf("%d entries were typed after the end, %v", n, err)
	}
}
