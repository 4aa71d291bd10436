package atbench

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
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
	*chromium.Seat
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
	d.g = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
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
	d.Seat = chromium.Sit(t, 3*time.Minute, d.g.PageURL())
	return d
}

// addAda gives a person an account and a badge.
func (d *desk) addAda() {
	d.t.Helper()
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})
	_, err := d.g.People().AddPerson(d.t.Context(), host, rights.NewPerson{ID: "ada", Name: "Ada Quill", Roles: []string{"operator"}, Secret: firstSecret, Reason: "a test"})
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

const dryMass = `procedure: dry-mass
title: Mass of a dried portion
about: samples
steps: [{step: mass, do: weigh, minimum: none, limits: {from: none is set}}]
results: [mass]
`

// opensARequest has a lab system ask for a run of a sample: scanning that sample opens the request, which is asked about, and Enter begins its run.
func (d *desk) opensARequest() {
	d.t.Helper()
	by := func(id string) record.Actor { return record.Actor{ID: id, By: record.ActorHost} }
	_, err := d.g.WriteProcedure(d.t.Context(), dryMass, "needed", by("ben"))
	if err == nil {
		_, err = d.g.DecideProcedure(d.t.Context(), "dry-mass", 1, record.ProcedureAdopted, "read", by("cho"))
	}
	if err == nil {
		_, err = d.g.AnnounceSamples(d.t.Context(), []record.Sample{{ID: "LOT-8"}, {ID: "LOT-9"}}, "", by("lims"))
	}
	q := record.LabRequest{RequestRef: record.RequestRef{From: "lims", ID: "R-1"}, Procedure: "dry-mass", Items: []record.RunItem{{Sample: "LOT-8"}}}
	if err == nil {
		_, _, err = d.g.TakeRequest(d.t.Context(), q, by("lims"))
	}
	if err != nil {
		d.t.Fatal(err)
	}
	d.Enters("LOT-9") // which nobody has asked for
	d.Shows("#sample", "LOT-9")
	d.Shows(`[data-part="here-run"]`, "Requests for this balance")
	d.Press("F2", 113, "")
	d.Shows("#sample", "none")
	d.Enters("LOT-8")
	d.Shows("#question", "Request R-1 of lims waits for this", "Mass of a dried portion")
	d.Keys(chromium.Escape)
	d.Shows("#next", "Nothing was done")
	d.Press("F2", 113, "")
	d.Shows("#sample", "none")
	if q, _ := d.g.LabRequest(q.RequestRef); q.State != record.RequestWaiting {
		d.t.Errorf("begun without being asked: %+v", q)
	}
	d.Enters("LOT-8")
	d.Shows("#question", "Begin its run?")
	d.Keys(chromium.Enter)
	d.Shows(`[data-part="here-run"] .here-run`, "Mass of a dried portion", "r-")
	run, there := d.g.RunAt("b-1")
	if q, _ := d.g.LabRequest(q.RequestRef); !there || q.State != record.RequestBegun || q.Run != run.ID || run.By.ID != "ada" {
		d.t.Errorf("%+v, of the run %+v", q, run.RunGlance)
	}
	d.print("7.531")
	d.Shows("#answer", "Recorded", "7.531 g", "LOT-8")
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		if q, _ := d.g.LabRequest(q.RequestRef); q.State == record.RequestComplete && len(q.Results) == 1 && q.Results[0].Digits == "7.531" {
			break
		}
		if time.Now().After(end) {
			d.t.Fatal("the request is not complete")
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
// weighs, and sees and hears it recorded; sees NOT RECORDING while the disk is full and that it is over; finishes the sample,
// signs out by a card, and, signed in by a password, begins the run of a request by scanning its sample.
func TestAtTheBench(t *testing.T) {
	d := newDesk(t)
	d.Visit("bench")
	d.Ready("#code")
	d.Enters("no-such-balance")
	d.Shows(".told", "No balance has that label")
	d.Enters("SB-4410")
	d.Ready("#scan")
	d.Shows("#next", "Scan your badge")
	if d.Text("document.querySelectorAll('[data-step]').length") != "0" {
		t.Error("a visitor is offered to act")
	}
	d.Enters("LOT-7")
	d.Shows("#next", "only shows")
	d.Enters("B:0047")
	d.Shows("#person", "Ada Quill")
	d.Shows("#acting", "Next", "Repeat", "Abandon")
	d.Enters("LOT-7")
	d.Shows("#question", "was not announced", "Enter")
	d.Keys(chromium.Enter)
	d.Shows("#sample", "LOT-7")
	d.Shows("#next", "Put the sample on")
	d.Shows("#sound", "Sound is on")

	d.Text(watch)
	d.Until("window.seen.open", "true")
	time.Sleep(300 * time.Millisecond) // of silence at the balance: the line is heard from its beginning
	d.print("12.345")
	d.Shows("#answer", "Recorded", "12.345 g", "LOT-7", "Ada Quill", "/b-1/")
	d.Shows("#heard", "Recorded. 12.345 g. for sample LOT-7, Ada Quill")
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
	d.Shows("#not-recording", "NOT RECORDING")
	d.Shows("#answer", "NOT RECORDED", "13.000 g", "LOT-7")
	d.Shows("#next", "by hand")
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	d.Shows("#answer", "Recorded", "13.000 g")
	d.Shows("#next", "Put the sample on")
	if hidden := d.Text("document.getElementById('not-recording').hidden"); hidden != "true" {
		t.Error("NOT RECORDING stays although it is over")
	}

	d.Press("F2", 113, "")
	d.Shows("#next", "LOT-7 is finished")
	d.Shows("#sample", "none")
	d.Press("F4", 115, "")
	d.Shows("#next", "no sample to repeat")
	d.Enters("b-2")
	d.Shows("#question", "b-2", "b-1", "exchanged")
	d.Keys(chromium.Escape)
	d.Shows("#next", "Nothing was done")
	d.Enters(record.CardCode(record.CardSignOut))
	d.Shows("#person", "nobody")
	d.Shows("#next", "Scan your badge")
	d.Visit("bench") // the screen knows where it stands
	d.Shows("h1.bench-id", "b-1")
	d.signsIn()
	d.opensARequest()
}

const firstSecret, ownSecret = "a first secret for a test", "three sacks of rye at the gate"

// signsIn signs Ada in without a badge, which is good for more than one, and has her weigh here.
func (d *desk) signsIn() {
	d.t.Helper()
	d.Text(`(() => { const ask = (method, path, body) => fetch("/api/v1/session" + path, {method, headers: {"X-Weighpost-Page": "1", "Content-Type": "application/json"}, body: JSON.stringify(body)});
		ask("POST", "", {login: "ada", secret: "` + firstSecret + `"}).then(() => ask("PUT", "/secret", {old: "` + firstSecret + `", secret: "` + ownSecret + `"}))
		.then(() => ask("POST", "", {login: "ada", secret: "` + ownSecret + `"})).then((r) => { window.signed = r.status; }); return ""; })()`)
	d.Until("window.signed", "200")
	d.Visit("bench/b-1")
	d.Shows("#mine", "Weigh as")
	d.Text(`(document.getElementById("mine").click(), "")`)
	d.Shows("#person", "Ada Quill")
}
