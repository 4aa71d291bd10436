package atbench

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/needs"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// patience is how long a state of the page is waited for, on a machine that does much else.
const patience = 30 * time.Second

const setUp = `
site: seed-bank
journal: {folder: %s, space: {reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
people: {badge: {sign_in: true}}
samples: {unknown: ask}
balances:
- id: b-1
  serial: SB-4410
  place: sorting room
  readability: 0.001 g
  port: {address: "tcp://%s", dial_timeout: 1s}
  layout: line.yaml
  scanner: {rules: [{prefix: "B:", item: person, badge: true, strip: true}, {prefix: LOT-, item: sample, uses: -1}]}
- id: b-2
  port: {address: "tcp://%s", dial_timeout: 1s}
  layout: line.yaml
`

// desk is a daemon, the cable of its balance b-1, and a browser that nobody touches but with keys.
type desk struct {
	*chromium.Browser
	t     *testing.T
	g     *gateway.Gateway
	disk  string
	cable chan net.Conn
	line  net.Conn
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{t: t, disk: needs.SmallDisk(t, "size=16m"), cable: make(chan net.Conn, 8)}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d.cable <- c
		}
	}()
	dir := t.TempDir()
	layout := "line: \"W {weight} {unit} {stability}\"\nstability: {\"S\": stable, \"M\": unstable}\n"
	if err := os.WriteFile(filepath.Join(dir, "line.yaml"), []byte(layout), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, faults := config.Load(filepath.Join(dir, "weighpost.yaml"), fmt.Appendf(nil, setUp, filepath.Join(d.disk, "journal"), l.Addr(), "127.0.0.1:9"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	d.g = gateway.New(cfg, gateway.Options{})
	if err := d.g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		if err := d.g.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	d.line = <-d.cable
	t.Cleanup(func() { d.line.Close() })
	d.addAda()
	d.Browser = chromium.Start(t, 3*time.Minute)
	return d
}

// addAda gives a person an account and a badge.
func (d *desk) addAda() {
	d.t.Helper()
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})
	_, err := d.g.People().AddPerson(d.t.Context(), host, rights.NewPerson{ID: "ada", Name: "Ada Quill", Roles: []string{"operator"}, Reason: "a test"})
	if err == nil {
		_, err = d.g.People().AddBadge(d.t.Context(), host, "ada", "0047", "a test")
	}
	if err != nil {
		d.t.Fatal(err)
	}
}

// print has the balance print a weight.
func (d *desk) print(weight string) {
	d.t.Helper()
	if _, err := fmt.Fprintf(d.line, "W %s g S\r\n", weight); err != nil {
		d.t.Fatal(err)
	}
}

// key presses one key. Its text is what it writes, "" for none.
func (d *desk) key(key, text string, code int) {
	d.t.Helper()
	p := map[string]any{"type": "keyDown", "key": key, "windowsVirtualKeyCode": code}
	if text != "" {
		p["text"] = text
	}
	for _, kind := range []string{"keyDown", "keyUp"} {
		p["type"] = kind
		if err := d.Call("Input.dispatchKeyEvent", p, nil); err != nil {
			d.t.Fatal(err)
		}
	}
}

// scan types a code as a scanner does, with Enter behind it.
func (d *desk) scan(code string) {
	d.t.Helper()
	for _, c := range code {
		d.key(string(c), string(c), 0)
	}
	d.key("Enter", "\r", 13)
}

// shows waits until a part of the page has all of the words.
func (d *desk) shows(selector string, words ...string) {
	d.t.Helper()
	script, last := "(() => { const e = document.querySelector("+strconv.Quote(selector)+"); return e && !e.hidden ? e.textContent : 'not there'; })()", ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(20 * time.Millisecond) {
		last = d.Text(script)
		missing := false
		for _, w := range words {
			missing = missing || !strings.Contains(last, w)
		}
		if !missing {
			return
		}
	}
	d.t.Fatalf("%s never held %q; it is %q, and next is %q", selector, words, last, d.Text("document.getElementById('next')?.textContent ?? location.href"))
}

// ready waits until a field takes what is scanned.
func (d *desk) ready(field string) {
	d.t.Helper()
	for limit := time.Now().Add(patience); d.Text("document.activeElement?.matches("+strconv.Quote(field)+")") != "true"; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			d.t.Fatalf("%s takes nothing", field)
		}
	}
}

// watch notes when an answer comes over a stream of its own, and when the band shows one.
const watch = `(() => {
  window.seen = {};
  const source = new EventSource("/live?balance=b-1");
  source.addEventListener("answer", () => { window.seen.came ??= performance.now(); });
  source.onopen = () => { window.seen.open = true; };
  new MutationObserver(() => requestAnimationFrame(() => { window.seen.shown ??= performance.now(); })).observe(document.getElementById("answer"), { childList: true });
  return "";
})()`

// TestAtTheBench: with the keyboard alone a screen is put at a balance, somebody signs in by a badge, scans a sample, is asked about it,
// weighs, and sees and hears it recorded; sees NOT RECORDING while the disk is full and that it is over; finishes the sample, and
// signs out by a card.
func TestAtTheBench(t *testing.T) {
	d := newDesk(t)
	d.Open(d.g.PageURL() + "bench")
	d.ready("#code")
	d.scan("no-such-balance")
	d.shows(".told", "No balance has that label")
	d.scan("SB-4410")
	d.ready("#scan")
	d.shows("#next", "Scan your badge")
	if d.Text("document.querySelectorAll('[data-step]').length") != "0" {
		t.Error("a visitor is offered to act")
	}
	d.scan("LOT-7")
	d.shows("#next", "only shows")
	d.scan("B:0047")
	d.shows("#person", "Ada Quill")
	d.shows("#acting", "Next", "Repeat", "Abandon")
	d.scan("LOT-7")
	d.shows("#question", "was not announced", "Enter")
	d.key("Enter", "\r", 13)
	d.shows("#sample", "LOT-7")
	d.shows("#next", "Put the sample on")
	d.shows("#sound", "Sound is on")

	d.Text(watch)
	for limit := time.Now().Add(patience); d.Text("window.seen.open") != "true" && time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
	}
	time.Sleep(300 * time.Millisecond) // of silence at the balance: the line is heard from its beginning
	d.print("12.345")
	d.shows("#answer", "Recorded", "12.345 g", "LOT-7", "Ada Quill", "/b-1/")
	d.shows("#heard", "Recorded. 12.345 g. for sample LOT-7, Ada Quill")
	took, err := strconv.ParseFloat(d.Text("window.seen.shown - window.seen.came"), 64)
	if err != nil || took > 2000 {
		t.Errorf("the band came %v ms after the event: %v", took, err)
	}
	t.Logf("the band was shown %.1f ms after the event had come to another stream of the page", took)
	if heard := d.Text("document.getElementById('bench').dataset.heard"); heard != "doubtful" {
		t.Errorf("it was heard as %q", heard) // the sample was not announced, and the weighing says so
	}

	ballast := needs.Fill(t, d.disk)
	d.print("13.000")
	d.shows("#not-recording", "NOT RECORDING")
	d.shows("#answer", "NOT RECORDED", "13.000 g", "LOT-7")
	d.shows("#next", "by hand")
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	d.shows("#answer", "Recorded", "13.000 g")
	d.shows("#next", "Put the sample on")
	if hidden := d.Text("document.getElementById('not-recording').hidden"); hidden != "true" {
		t.Error("NOT RECORDING stays although it is over")
	}

	d.key("F2", "", 113)
	d.shows("#next", "LOT-7 is finished")
	d.shows("#sample", "none")
	d.key("F4", "", 115)
	d.shows("#next", "no sample to repeat")
	d.scan("b-2")
	d.shows("#question", "b-2", "b-1", "exchanged")
	d.key("Escape", "", 27)
	d.shows("#next", "Nothing was done")
	d.scan(record.CardCode(record.CardSignOut))
	d.shows("#person", "nobody")
	d.shows("#next", "Scan your badge")
	d.Open(d.g.PageURL() + "bench") // the screen knows where it stands
	d.shows("h1.bench-id", "b-1")
}
