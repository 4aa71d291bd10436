package watch

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/charmbracelet/x/ansi"

	"weighpost/gateway/record"
)

// drawn is a screen with a lab of some balances; the names of them are what may be hostile.
func drawn(t *testing.T, names ...string) *model {
	t.Helper()
	m := &model{width: 80, height: 24, url: "http://127.0.0.1:8467", values: map[string]Event{}, focus: make(chan string, 1)}
	var balances, conditions []map[string]any
	for i, name := range names {
		word := []string{"stable", "unstable", "unknown"}[i%3]
		balances = append(balances, map[string]any{"id": name, "place": name, "port": name, "port_up": i != 1,
			"context": []map[string]any{{"name": name, "id": name, "since": "2026-11-25T15:04:05Z", "person": name}},
			"live":    map[string]any{"balance": name, "utc": "2026-11-25T15:04:05Z", "value": map[string]any{"digits": "12.3450", "unit": name, "stability": word, "range": "in"}},
			"last":    map[string]any{"id": name, "utc": "2026-11-25T15:04:05Z", "value": map[string]any{"digits": "9.1", "unit": "g"}, "sample": name}})
		conditions = append(conditions, map[string]any{"code": name, "subject": name, "severity": name, "sentence": name + " is gone.", "remedy": name + ": plug it in."})
	}
	text, err := json.Marshal(map[string]any{"site": strings.Join(names, ""), "at": "2026-11-25T15:04:06Z", "recording": false, "balances": balances, "conditions": conditions,
		"sinks": []map[string]any{{"id": names[0], "state": names[0], "lag": 3, "parked": 1}}, "clock": map[string]any{"state": "checked", "bound_s": 0.0213}})
	if err != nil {
		t.Fatal(err)
	}
	var s state
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	m.Update(s)
	return m
}

// fits fails where a screen is larger than its terminal, or holds what is not simply shown.
func fits(t *testing.T, m *model, about string) {
	t.Helper()
	list := m.lines()
	if len(list) > max(m.height, 0) {
		t.Errorf("%s: %d lines at %d×%d", about, len(list), m.width, m.height)
	}
	for _, line := range list {
		text := line
		for _, mark := range []string{bold, reverse, plain} {
			if m.plain && strings.Contains(text, mark) {
				t.Errorf("%s: a mark without colour: %q", about, line)
			}
			text = strings.ReplaceAll(text, mark, "")
		}
		if w := ansi.StringWidth(text); w > max(m.width, 0) {
			t.Errorf("%s: %d columns at %d×%d: %q", about, w, m.width, m.height, text)
		}
		if !utf8.ValidString(text) { // the replacement character itself comes from JSON, and is shown as any other
			t.Errorf("%s: %q", about, text)
		}
		for _, r := range text {
			if !unicode.IsPrint(r) || m.ascii && r >= 0x80 {
				t.Errorf("%s: %U reaches the terminal in %q", about, r, text)
			}
		}
	}
}

// TestTheScreenFitsAndIsHarmless: at every size, in each of its views, with hostile names, long ones and wide characters, with and
// without marks and other characters than ASCII.
func TestTheScreenFitsAndIsHarmless(t *testing.T) {
	names := append([]string{"b-1", strings.Repeat("very-long-", 30), strings.Repeat("種子", 40), "e\u0301\u0301\u0301", "👩‍🔬", "Waage µ “1”", "a b", ""}, hostile...)
	m := drawn(t, names...)
	for _, size := range [][2]int{{0, 0}, {1, 1}, {1, 50}, {2, 2}, {5, 3}, {20, 5}, {40, 10}, {71, 8}, {80, 24}, {110, 30}, {120, 40}, {200, 60}, {500, 200}, {-1, -1}} {
		for _, style := range [][2]bool{{false, false}, {true, false}, {true, true}, {false, true}} {
			m.width, m.height, m.plain, m.ascii = size[0], size[1], style[0], style[1]
			for _, away := range []string{"", "no daemon answers \x1b[2J; trying again"} {
				m.away = away
				for _, keys := range []string{"esc", "w", "pgdown", "end", "esc home", "down", "enter", "down", "down", "end"} {
					for k := range strings.FieldsSeq(keys) {
						m.key(k)
					}
					for _, h := range hostile {
						m.Update(sent{Balance: m.one, Frames: []sentFrame{{Bytes: []byte(h)}}})
						m.Update(Event{Event: Unread, Balance: m.one, Why: h})
					}
					fits(t, m, fmt.Sprint("after ", keys))
				}
			}
		}
	}
	nothing := &model{url: "http://\x1b[2J", values: map[string]Event{}, focus: make(chan string, 1)}
	for _, key := range []string{"enter", "down", "w", "down", "esc", "esc"} {
		nothing.key(key)
		for size := range 30 {
			nothing.width, nothing.height = size, size
			fits(t, nothing, "before anything came")
		}
	}
}

func text(m *model) string { return ansi.Strip(strings.Join(m.lines(), "\n")) }

func TestWhatTheScreenSays(t *testing.T) {
	m := drawn(t, "b-1", "b-2", "b-3", "b-4")
	for _, want := range []string{"NOT RECORDING b-1b-2b-3b-4 15:04:06 UTC 4 wrong Copy weights by hand", "clock checked ±21.3 ms", "b-1 b-1, 3 to go, 1 parked",
		"12.3450 b-1 settled", "- port down", "15:04:05 9.1 g b-1", "!! b-1: b-1 is gone.", "b-1: plug it in.", "> b-1"} {
		if !strings.Contains(collapsed(text(m)), want) {
			t.Errorf("the overview lacks %q:\n%s", want, text(m))
		}
	}
	m.key("down")
	m.key("down")
	m.key("enter")
	if got := <-m.focus; got != "b-3" {
		t.Errorf("bytes are asked of %q", got)
	}
	at := record.UTC(time.Date(2026, 11, 25, 15, 4, 7, 0, time.UTC))
	m.Update(sent{Balance: "b-3", Frames: []sentFrame{{UTC: at, Bytes: []byte("\x02 1.5 g\r\n")}}})
	m.Update(sent{Balance: "b-1", Frames: []sentFrame{{UTC: at, Bytes: []byte("elsewhere")}}})
	m.Update(Event{Event: Reading, Balance: "b-3", Value: &record.Value{Digits: "1.5", Unit: "g", Stability: "unstable", Range: "in"}})
	m.Update(Event{Event: Recorded, Balance: "b-3", UTC: at, ID: "s/i/b-3/000001", Value: &record.Value{Digits: "1.5", Unit: "g"}, Sample: "LOT-7"})
	for _, want := range []string{"1.5 g moving", "last recorded: 15:04:07 1.5 g LOT-7 s/i/b-3/000001", "next weighing: b-3 b-3 (b-3)", "!! b-3: b-3 is gone.",
		"<STX> 1.5 g<CR><LF>", "02 20 31 2e 35 20 67 0d 0a"} {
		if !strings.Contains(collapsed(text(m)), want) {
			t.Errorf("the balance lacks %q:\n%s", want, text(m))
		}
	}
	if strings.Contains(text(m), "elsewhere") {
		t.Error("bytes of another balance are shown")
	}
	m.key("w")
	if got := <-m.focus; got != "" || !strings.Contains(text(m), "b-4: plug it in.") {
		t.Errorf("%q:\n%s", got, text(m))
	}
	m.Update(Event{Event: Away, Why: "no daemon answers; trying again"})
	if got := text(m); !strings.Contains(got, "NOT CONNECTED  no daemon answers") || !strings.Contains(got, "from 15:04:06 UTC, and may be wrong") {
		t.Error(got)
	}
}

func collapsed(s string) string { return strings.Join(strings.Fields(s), " ") }

func TestTheEnvironmentSaysWhatATerminalShows(t *testing.T) {
	for _, c := range []struct {
		env          map[string]string
		plain, ascii bool
	}{
		{map[string]string{"LANG": "en_GB.UTF-8"}, false, false}, {map[string]string{"LANG": "C"}, false, true}, {nil, false, true},
		{map[string]string{"LANG": "de_DE.UTF-8", "LC_ALL": "C"}, false, true}, {map[string]string{"LC_CTYPE": "C.utf8", "LANG": "C"}, false, false},
		{map[string]string{"LC_ALL": "C.UTF-8", "NO_COLOR": "1"}, true, false}, {map[string]string{"LC_ALL": "C.UTF-8", "NO_COLOR": ""}, false, false},
	} {
		if plain, ascii := Marks(func(name string) string { return c.env[name] }); plain != c.plain || ascii != c.ascii {
			t.Errorf("%v: plain %v, ascii %v", c.env, plain, ascii)
		}
	}
}
