package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite what the recorded streams of testdata/streams read as")

const streamsDir = "../../testdata/streams"

// TestStreams replays every recorded stream through the command and compares its output byte for byte. The first line of
// an expectation says where the bytes come from and why the case exists. See testdata/streams/generate.py for where the
// expected values come from.
func TestStreams(t *testing.T) {
	t.Parallel()
	recorded, err := filepath.Glob(filepath.Join(streamsDir, "*.bytes"))
	if err != nil || len(recorded) < 28 {
		t.Fatalf("%d recorded streams, %v", len(recorded), err)
	}
	for _, path := range recorded {
		name := strings.TrimSuffix(filepath.Base(path), ".bytes")
		t.Run(name, func(t *testing.T) { replay(t, name) })
	}
}

func replay(t *testing.T, name string) {
	file := filepath.Join(streamsDir, name+".readings.ndjson")
	expected, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("a recorded stream needs its expectation: %v", err)
	}
	head, want, _ := bytes.Cut(expected, []byte("\n"))
	var about struct{ From, Settings, Why, Expected, Layout string }
	if err := json.Unmarshal(head, &about); err != nil || about.From == "" || about.Settings == "" || about.Why == "" || about.Expected == "" {
		t.Fatalf("the first line of an expectation says from, settings, why and expected, and this one is %s (%v)", head, err)
	}
	layoutFile := filepath.Join(streamsDir, name+".layout.yaml")
	if about.Layout != "" {
		layoutFile = filepath.Join("../..", about.Layout)
	}
	var out, errs bytes.Buffer
	status := run([]string{"read", "--layout", layoutFile, filepath.Join(streamsDir, name+".bytes")}, streams{strings.NewReader(""), &out, &errs})
	if status != 0 || errs.Len() > 0 {
		t.Fatalf("exit status %d: %s", status, errs.String())
	}
	if *update {
		if err := os.WriteFile(file, append(append(head, '\n'), out.Bytes()...), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	got, wanted := strings.SplitAfter(out.String(), "\n"), strings.SplitAfter(string(want), "\n")
	for i := range max(len(got), len(wanted)) {
		switch {
		case i >= len(got):
			t.Fatalf("line %d is missing:\n%s", i+1, wanted[i])
		case i >= len(wanted):
			t.Fatalf("line %d is one too many:\n%s", i+1, got[i])
		case got[i] != wanted[i]:
			t.Errorf("line %d\n got %swant %s", i+1, got[i], wanted[i])
		}
	}
}
