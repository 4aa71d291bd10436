package everywhere

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/needs"
	"weighpost/sinks/mail/eximtest"
)

// spot is a destination at which it is looked for what came of weighings, by their digits: no two are alike in a test.
type spot struct {
	name  string
	look  func(t *testing.T) []sighting
	mute  bool // the form has no place to say that a balance was unfit
	once  bool // never shows one twice
	short int  // so many of the newest may wait for a closed batch
	quick bool // what comes late is not delivered, and counts as done
}

// sighting is one weighing as it came.
type sighting struct{ digits, text string }

var (
	digitsIn = regexp.MustCompile(`"digits":"([0-9]+\.[0-9]{3})"`)
	weightIn = regexp.MustCompile(`[0-9]+\.[0-9]{3}\b`)
)

// spots are the places of the rig as spots.
func (r *rig) spots() (list []*spot) {
	for _, p := range r.places {
		s := &spot{name: p.name, once: p.once, short: p.short}
		s.look = func(t *testing.T) (all []sighting) {
			for _, a := range p.read(t) {
				if a.digits != "" {
					all = append(all, sighting{a.digits, ""})
				} else if m := digitsIn.FindSubmatch(a.body); m != nil {
					all = append(all, sighting{string(m[1]), string(a.body)})
				}
			}
			return all
		}
		s.mute = p.name == "postgres" || p.name == "sparkplug" // which are asked for it beside, below
		list = append(list, s)
	}
	return list
}

// heap is what came in pieces, in memory.
type heap struct {
	mu   sync.Mutex
	list []string
}

func (h *heap) add(text string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.list = append(h.list, text)
}

// look finds one weighing in each piece.
func (h *heap) look(*testing.T) (all []sighting) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, text := range h.list {
		m := weightIn.FindString(text)
		if d := digitsIn.FindStringSubmatch(text); d != nil {
			m = d[1]
		}
		all = append(all, sighting{m, text})
	}
	return all
}

// forms are further destinations: one for each form that carries a weighing in another way than as its entry.
func (r *rig) forms(t *testing.T) (list []*spot) {
	t.Helper()
	add := func(s *spot, config string) {
		list = append(list, s)
		r.configure(t, &place{name: s.name, config: config})
	}
	sheet := r.folder(t, "sheet")
	add(&spot{name: "csv", look: rowsIn(filepath.Join(sheet, "all.csv")), once: true},
		fmt.Sprintf("kind: files, folder: %q, format: csv, name: all.csv, csv: {columns: [id, digits, fitness, held, utc]}", sheet))
	events, lines, texts := &heap{}, &heap{}, &heap{}
	add(&spot{name: "cloudevents", look: events.look}, fmt.Sprintf("kind: http, url: \"http://%s/\", proxy: none, format: cloudevents, cloudevents: {source: \"https://lab.example/north\", type_prefix: example.lab}", posts(t, events)))
	add(&spot{name: "line", look: lines.look, mute: true},
		fmt.Sprintf("kind: tcp-out, dial: %q, format: line, line: {layout: 'line: \"{weight 10} {unit 1}\"'}", listen(t, eachLine(lines))))
	add(&spot{name: "template", look: texts.look},
		fmt.Sprintf("kind: tcp-out, dial: %q, format: template, template: {text: \"{{.value.digits}} {{.fitness.state}}\\n\"}", listen(t, eachLine(texts))))
	add(&spot{name: "labels", look: labelPrinter(t)}, "kind: print, way: spooler, queue: labels, print: label")
	post := eximtest.Start(t, eximtest.Options{})
	add(&spot{name: "mail", look: letters(post)}, fmt.Sprintf("kind: mail, server: %q, tls: none, from: weighpost@lab.example, to: [keeper@lab.example], "+
		"entries: [weighing], per_hour: 1000, alarms: {severity: none}", post.Addr()))
	keyboard := filepath.Join(r.dir, "hidg0")
	typed := r.attach(t, keyboard)
	add(&spot{name: "keystrokes", look: typed.look, mute: true, quick: true}, fmt.Sprintf("kind: keystrokes, device: %q, key_time: 1ms, newest_for: 10m", keyboard))
	return list
}

// rowsIn reads a file of rows.
func rowsIn(path string) func(*testing.T) []sighting {
	return func(*testing.T) (all []sighting) {
		b, _ := os.ReadFile(path)
		for row := range strings.Lines(string(b)) {
			if c := strings.Split(row, ","); len(c) == 5 && weightIn.MatchString(c[1]) {
				all = append(all, sighting{c[1], row})
			}
		}
		return all
	}
}

// posts is a web server that takes bodies.
func posts(t *testing.T, h *heap) string {
	return serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if b, err := io.ReadAll(r.Body); err == nil {
			h.add(string(b))
		}
	}))
}

// eachLine is a program that reads lines.
func eachLine(h *heap) func(net.Conn) {
	return func(c net.Conn) {
		for in := bufio.NewScanner(c); in.Scan(); {
			h.add(in.Text())
		}
	}
}

// labelPrinter is an lp that keeps what it is given, read by poppler's pdftotext. That a real spooler and printer take labels is shown in
// sinks/print.
func labelPrinter(t *testing.T) (look func(*testing.T) []sighting) {
	t.Helper()
	needs.Programs(t, "pdftotext")
	dir := t.TempDir()
	script := fmt.Sprintf("#!/bin/sh\ncat >%[1]s/$$.part && mv %[1]s/$$.part %[1]s/$$.pdf && echo \"request id is labels-$$ (1 file(s))\"\n", dir)
	if err := os.WriteFile(filepath.Join(dir, "lp"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+string(os.PathListSeparator)+os.Getenv("PATH"))
	read := map[string]sighting{}
	return func(*testing.T) (all []sighting) {
		files, _ := filepath.Glob(filepath.Join(dir, "*.pdf"))
		for _, f := range files {
			if one, is := read[f]; is {
				all = append(all, one)
			} else if words, err := exec.Command("pdftotext", "-layout", f, "-").Output(); err == nil {
				read[f] = sighting{weightIn.FindString(string(words)), string(words)}
				all = append(all, read[f])
			}
		}
		return all
	}
}

// letters are the messages of a mail server.
func letters(s *eximtest.Server) func(*testing.T) []sighting {
	return func(t *testing.T) (all []sighting) {
		for _, m := range s.Messages(t) {
			all = append(all, sighting{weightIn.FindString(string(m.Raw[bytes.Index(m.Raw, []byte("\n\n")):])), string(m.Raw)})
		}
		return all
	}
}

// attach makes a keyboard's device, and reads what is typed: reports of eight bytes, the key in the third (HID 1.11, appendix B.1), digits,
// point and Enter by the HID Usage Tables' Keyboard/Keypad page.
func (r *rig) attach(t *testing.T, path string) *heap {
	t.Helper()
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0) // both ends: it stays while the daemon opens and closes it, and comes and goes
	if err != nil {
		t.Fatal(err)
	}
	h := &heap{}
	r.all.Go(func() {
		text, b := "", make([]byte, 8)
		for {
			if _, err := io.ReadFull(f, b); err != nil {
				return
			}
			switch key := b[2]; {
			case key >= 0x1e && key <= 0x27:
				text += string("1234567890"[key-0x1e])
			case key == 0x37:
				text += "."
			case key == 0x28:
				h.add(text)
				text = ""
			}
		}
	})
	r.ends = append(r.ends, func() { _ = f.Close() })
	return h
}

// sparks keeps what a host knows of each device's fitness, and what it was when each weighing came. A message has only what has changed.
type sparks struct {
	mu      sync.Mutex
	fitness map[string]string // by device
	of      map[string]string // by digits
}

// host listens to the devices of the Sparkplug destination.
func (r *rig) host(t *testing.T) *sparks {
	t.Helper()
	s := &sparks{fitness: map[string]string{}, of: map[string]string{}}
	r.subscribe(t, r.broker, "spBv1.0/seeds/#", func(m paho.Message) {
		device := m.Topic()[strings.LastIndexByte(m.Topic(), '/')+1:]
		found := metricsOf(m.Payload())
		s.mu.Lock()
		defer s.mu.Unlock()
		if fitness, there := found["Balance/Fitness"]; there {
			s.fitness[device] = fitness
		}
		digits := found["Weighing/Digits"]
		if digits != "" && strings.Contains(m.Topic(), "/DDATA/") {
			s.of[digits] = s.fitness[device]
		}
	})
	return s
}

// said waits for the host to have heard of a weighing: it listens on a connection of its own, so that another listener may have it first.
func (s *sparks) said(digits string) string {
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		s.mu.Lock()
		fitness, heard := s.of[digits]
		s.mu.Unlock()
		if heard || time.Now().After(limit) {
			return fitness
		}
	}
}
