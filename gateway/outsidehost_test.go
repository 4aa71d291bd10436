package gateway

import (
	"strings"
	"testing"
)

// TestWhatASinkMayNameThroughTheAPI: a destination in the network, a layout's text and a keyboard, but no file of the host: a template
// that is one would be sent away as it is.
func TestWhatASinkMayNameThroughTheAPI(t *testing.T) {
	doc := func(sink map[string]any) map[string]any { return map[string]any{"sinks": []any{sink}} }
	within := func(key, sub, text string) map[string]any { return doc(map[string]any{key: map[string]any{sub: text}}) }
	before := map[string]any{"sinks": []any{map[string]any{"folder": "/srv/weighings", "template": map[string]any{"file": "/etc/weighpost/slip.txt"}}}}
	for _, c := range []struct {
		after map[string]any
		says  string // "": it may
	}{
		{doc(map[string]any{"address": "labels.seed-bank.example:9100"}), ""},
		{within("line", "layout", "line: \"{weight 9} {unit}\""), ""},
		{doc(map[string]any{"device": "/dev/hidg0"}), ""},
		{doc(map[string]any{"folder": "/srv/weighings"}), ""},
		{within("template", "file", "/etc/weighpost/slip.txt"), ""},
		{within("template", "file", "/etc/shadow"), "no setting names yet"},
		{within("line", "file", "/etc/weighpost/slip.txt"), "no setting names yet"},
		{doc(map[string]any{"folder": "/root"}), "no setting names yet"},
		{doc(map[string]any{"device": "/dev/hidg0/../sda"}), "is no keyboard"},
		{doc(map[string]any{"device": "/srv/weighings"}), "is no keyboard"},
		{within("port", "address", "/srv/weighings"), "no serial device"},
		{map[string]any{"balances": []any{map[string]any{"layout": "../slip.yaml"}}}, "layouts"},
	} {
		faults := outsideHost("/etc/weighpost/weighpost.yaml", before, c.after, nil)
		said := ""
		for _, f := range faults {
			said += f.What + ". " + f.Allowed + "\n"
		}
		if c.says == "" && said != "" || !strings.Contains(said, c.says) {
			t.Errorf("%v: %q, want %q", c.after, said, c.says)
		}
	}
}
