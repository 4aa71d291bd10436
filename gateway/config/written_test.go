package config

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// TestRewritten: what differs, as the file says it, without what tells where a secret is kept.
func TestRewritten(t *testing.T) {
	load := func(doc map[string]any) *Config {
		c, faults := LoadForm(filepath.Join(t.TempDir(), "weighpost.yaml"), doc)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		return c
	}
	sink := func(more map[string]any) []any {
		o := map[string]any{"id": "broker", "kind": "mqtt", "broker": "mqtts://broker.example:8883"}
		for k, v := range more {
			o[k] = v
		}
		return []any{o}
	}
	before := load(map[string]any{"site": "seed-bank", "journal": map[string]any{"folder": "/j"}, "sinks": sink(nil), "clock": map[string]any{"ceiling": "1s"}})
	after := load(map[string]any{"site": "seed-bank", "journal": map[string]any{"folder": "/j"},
		"sinks": sink(map[string]any{"username": "post", "password": "env:SEEDS", "retain": true})})
	want := []Written{
		{Path: "clock", From: "clock:\n  ceiling: 1s"},
		{Path: "sinks[broker].password", To: "password: …", Secret: true},
		{Path: "sinks[broker].retain", To: "retain: true"},
		{Path: "sinks[broker].username", To: "username: post"},
	}
	if got := Rewritten(before, after); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\nwant\n%+v", got, want)
	}
	kept, err := RewrittenKept(before.Redacted(), after.Redacted())
	want[0] = Written{Path: "clock.ceiling", From: "ceiling: 1s"}
	if err != nil || !reflect.DeepEqual(kept, want) {
		t.Errorf("%v %+v\nwant\n%+v", err, kept, want)
	}
	if same := Rewritten(before, before); len(same) != 0 {
		t.Errorf("nothing changed, and %+v", same)
	}
}

// TestALayoutGoesThroughItsForm: what a form of a layout holds is written as a layout that says the same.
func TestALayoutGoesThroughItsForm(t *testing.T) {
	files, err := os.ReadDir(filepath.Join(configs, "layouts"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		src, err := os.ReadFile(filepath.Join(configs, "layouts", f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		form := LayoutForm(string(src))
		text, faults := LayoutText("x.yaml", form)
		if len(faults) > 0 || !reflect.DeepEqual(LayoutForm(string(text)), form) {
			t.Errorf("%s: %v\n%s", f.Name(), faults, text)
		}
		if !strings.HasPrefix(string(text), "about: ") {
			t.Errorf("%s does not begin with what it is about:\n%s", f.Name(), text)
		}
		form["line"] = nil
		if _, faults := LayoutText("x.yaml", form); len(faults) != 1 || faults[0].Path != "line" {
			t.Errorf("%s without a value: %v", f.Name(), faults)
		}
	}
}
