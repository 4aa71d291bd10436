package strict

import (
	"testing"

	"pgregory.net/rapid"
)

// TestQuoteIsReadBack: whatever a text holds, but what no file may hold.
func TestQuoteIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text") + rapid.SampledFrom([]string{"", "\r\n", "\x02", "\u0085", "\ufeff", `\x`, `"`}).Draw(t, "end")
		var into struct {
			Text string `yaml:"text"`
		}
		if _, faults := Load("f", []byte("text: "+Quote("a"+text)+"\n"), &into); faults != nil || into.Text != "a"+text {
			t.Fatalf("%q was written %s and read %q, %v", "a"+text, Quote("a"+text), into.Text, faults)
		}
	})
}

func TestLostEscape(t *testing.T) {
	for text, want := range map[string]byte{`P\r\n`: 'r', `\x05`: 'x', `a\`: 0, `a\q`: 0, "P\r\n": 0, "": 0} {
		if got, found := LostEscape(text); got != want || found != (want != 0) {
			t.Errorf("%q: %q, %v", text, got, found)
		}
	}
}
