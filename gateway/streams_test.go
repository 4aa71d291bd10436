//go:build linux

package gateway_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// replayed are the recorded streams that go through a pseudo-terminal into the whole daemon. They have at most twenty unread
// frames, since further ones of a minute are summed up.
var replayed = []string{
	"bench-net-grams", "block-to-blank-line", "checked-telegram", "counting-pieces", "cp437-micrograms", "crc-modbus-raw",
	"half-lines", "micro-comma-milligrams", "mixed-terminators", "noise", "platform-words-kilograms", "print-block-sample",
	"print-line-person",
	"stream-settling", "trailing-sign", "verified-brackets",
}

// expected is one line of an expectation, as far as the journal has to agree with it.
type expected struct {
	Frame  []byte        `json:"frame"`
	Value  *record.Value `json:"value"`
	Result *record.Value `json:"result"`
	Unread string        `json:"unread"`
}

// TestRecordedStreamsReachTheJournal sends recorded bytes through a pseudo-terminal and holds the journal against what the
// streams are expected to read as: every frame once, in order, as a weighing, a result or unread.
func TestRecordedStreamsReachTheJournal(t *testing.T) {
	for _, name := range replayed {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, layout := expectation(t, name)
			raw, err := os.ReadFile(filepath.Join("..", "testdata", "streams", name+".bytes"))
			if err != nil {
				t.Fatal(err)
			}
			got := throughDaemon(t, layout, raw, len(want))
			if len(got) != len(want) {
				t.Fatalf("%d frames in the journal, %d expected", len(got), len(want))
			}
			for i := range want {
				compare(t, i, got[i], want[i])
			}
		})
	}
}

func expectation(t *testing.T, name string) (want []expected, layout string) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "testdata", "streams", name+".readings.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSuffix(raw, []byte("\n")), []byte("\n"))
	var about struct{ Layout string }
	if err := json.Unmarshal(lines[0], &about); err != nil {
		t.Fatal(err)
	}
	if layout = filepath.Join("..", about.Layout); about.Layout == "" {
		layout = filepath.Join("..", "testdata", "streams", name+".layout.yaml")
	}
	if layout, err = filepath.Abs(layout); err != nil {
		t.Fatal(err)
	}
	for _, line := range lines[1:] {
		var e expected
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		want = append(want, e)
	}
	return want, layout
}

// throughDaemon runs a daemon on a pseudo-terminal, sends raw, and gives the journal's frames once there are enough.
func throughDaemon(t *testing.T, layout string, raw []byte, enough int) []expected {
	t.Helper()
	d := newDaemon(t, daemonOptions{layout: layout, record: "all"})
	d.start(t)
	// A silence longer than all these bytes would take on a wire: without it the first line could be the rest of a longer one.
	time.Sleep(100*time.Millisecond + d.cfg.Balances[0].Port.WireTime(len(raw)))
	if _, err := d.cords[0].Write(raw); err != nil {
		t.Fatal(err)
	}
	// What is left of an unfinished last line becomes a frame at the stop.
	until(t, func() bool { return d.Balances()[0].Frames+1 >= uint64(enough) }, "not all frames are received")
	time.Sleep(50 * time.Millisecond)
	d.stop(t)
	return frames(t, d.cfg.Journal.Folder)
}

// frames gives what the journal says of each frame, in order.
func frames(t *testing.T, dir string) (list []expected) {
	t.Helper()
	err := journal.Scan(t.Context(), dir, 0, func(e record.Entry) error {
		var w record.Weighing
		var u record.Unread
		switch e.Kind {
		case record.KindWeighing, record.KindResult:
			if err := json.Unmarshal(e.JSON, &w); err != nil {
				return err
			}
			x := expected{Frame: w.Frame, Value: &w.Value}
			if e.Kind == record.KindResult {
				x.Value, x.Result = nil, x.Value
			}
			list = append(list, x)
		case record.KindUnread:
			if err := json.Unmarshal(e.JSON, &u); err != nil {
				return err
			}
			list = append(list, expected{Frame: u.Frame, Unread: u.Reason})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func compare(t *testing.T, i int, got, want expected) {
	t.Helper()
	if !bytes.Equal(got.Frame, want.Frame) {
		t.Errorf("frame %d: the bytes are %q, expected %q", i+1, got.Frame, want.Frame)
		return
	}
	for _, v := range []*record.Value{want.Value, want.Result} {
		if v != nil && v.Range != "in" { // a load out of range has no digits: it is kept as it came, and is no weighing
			if got.Unread == "" {
				t.Errorf("frame %d %q: out of range, and recorded as %+v %+v", i+1, want.Frame, got.Value, got.Result)
			}
			return
		}
	}
	if same(got.Value, want.Value) && same(got.Result, want.Result) && (got.Unread == "") == (want.Unread == "") {
		return
	}
	g, _ := json.Marshal(got)
	w, _ := json.Marshal(want)
	t.Errorf("frame %d %q:\n got %s\nwant %s", i+1, want.Frame, g, w)
}

func same(a, b *record.Value) bool { return a == b || a != nil && b != nil && *a == *b }
