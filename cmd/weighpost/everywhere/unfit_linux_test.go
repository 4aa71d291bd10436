package everywhere

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// What each balance of the test is: the lab's policy, and what its tap does.
var unfitBalances = []struct {
	unfit, tap string
	open, send bool // while out of service its program hears the balance, and is heard
}{
	{"mark", "", true, true},
	{"hold", "", false, false},
	{"refuse", "", false, false},
	{"mark", "cut", false, false},
	{"hold", "go-on", true, true},
	{"hold", "receive-only", true, false},
}

// person is somebody at a balance: what they print, and what the balance is sent.
type person struct {
	*counter
	mu    sync.Mutex
	got   []byte // that the balance was sent
	tap   string
	heard *bufio.Reader // of the program at the tap
	line  net.Conn
}

// prints has the balance print its next weight, and says its digits.
func (p *person) prints(t *testing.T) string {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sent++
	if _, err := fmt.Fprintf(p.cord, "%6d.%03d g\r\n", p.sent/1000, p.sent%1000); err != nil {
		t.Error(err)
	}
	return fmt.Sprintf("%d.%03d", p.sent/1000, p.sent%1000)
}

// answers has the balance print its next weight whenever it is asked with Q, until it is pulled.
func (p *person) answers(t *testing.T, r *rig) {
	r.all.Go(func() {
		b := make([]byte, 64)
		for r.looking.Err() == nil {
			n, err := p.cord.Read(b)
			if err != nil {
				time.Sleep(2 * time.Millisecond)
				continue
			}
			p.mu.Lock()
			p.got = append(p.got, b[:n]...)
			p.mu.Unlock()
			if bytes.Contains(b[:n], []byte("Q")) {
				p.prints(t)
			}
		}
	})
}

// was says whether the balance was sent something.
func (p *person) was(text string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return bytes.Contains(p.got, []byte(text))
}

// last is what it printed last.
func (p *person) last() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return fmt.Sprintf("%d.%03d", p.sent/1000, p.sent%1000)
}

// lock is the whole test: a daemon, people at balances, and what is to be where.
type lock struct {
	*rig
	people []*person
	all    []*spot
	host   *sparks
	daemon *exec.Cmd
	states map[string]string // that the broker keeps of each balance
	there  map[string]string // digits → "", or the state that made its balance unfit: what is to be everywhere by now
	never  []string          // digits that are to be nowhere by now
	late   map[string]bool   // digits that were released
}

func newLock(t *testing.T) *lock {
	t.Helper()
	top := "checks:\n- {name: daily, measures: accuracy, questions: [\"Does it stand level?\"], loads: [20 g], tolerance: {mass: 5 mg}}\n" +
		"fitness:\n  unfit: hold\n  balances:\n"
	taps := []string{}
	for i, b := range unfitBalances {
		top += fmt.Sprintf("  - {balance: b-%d, unfit: %s}\n", i+1, b.unfit)
		taps = append(taps, needs.FreeAddress(t))
	}
	r := newRig(t, 1, top, len(unfitBalances), func(n int) string {
		tap := fmt.Sprintf("listen: %q, answer: 100ms", taps[n-1])
		if mode := unfitBalances[n-1].tap; mode != "" {
			tap += ", out_of_service: " + mode
		}
		return fmt.Sprintf("record: printed, readability: 0.001 g, capacity: 100 g, ask: {send: \"Q\"}, tap: {%s}", tap)
	})
	r.lot.end() // no far side does anything wrong
	l := &lock{rig: r, states: map[string]string{}, there: map[string]string{}, late: map[string]bool{}}
	for i, c := range r.balances {
		c.sent = int64(i+1) * 1000
		p := &person{counter: c, tap: taps[i]}
		p.answers(t, r)
		l.people = append(l.people, p)
	}
	l.all = append(r.spots(), r.forms(t)...)
	l.host = r.host(t)
	r.subscribe(t, r.broker, "v5/seed-bank/+/status", func(m paho.Message) {
		r.mu.Lock()
		defer r.mu.Unlock()
		l.states[strings.Split(m.Topic(), "/")[2]] = string(m.Payload())
	})
	return l
}

// up starts the daemon and waits until it hears each balance, and until a program is at each tap.
func (l *lock) up(t *testing.T) {
	t.Helper()
	l.daemon = l.start(t)
	l.until(t, "the daemon hears every balance", func() bool {
		status, body := l.ask(t, "GET /api/v1/balances", "")
		return status == http.StatusOK && strings.Count(body, `"port_up":true`) == len(l.people)
	})
	for _, p := range l.people {
		l.until(t, "there is a tap", func() bool {
			c, err := net.Dial("tcp", p.tap)
			if err != nil {
				return false
			}
			t.Cleanup(func() { _ = c.Close() })
			p.line, p.heard = c, bufio.NewReader(c)
			return true
		})
	}
	l.until(t, "every program is at its tap", func() bool {
		_, body := l.ask(t, "GET /api/v1/balances", "")
		return strings.Count(body, `"program":true`) == len(l.people)
	})
}

// killed kills the daemon as a power cut would, and starts it again.
func (l *lock) killed(t *testing.T) {
	t.Helper()
	_ = l.daemon.Process.Signal(syscall.SIGKILL)
	_ = l.daemon.Wait()
	l.up(t)
}

func (l *lock) until(t *testing.T, what string, so func() bool) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); !so(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("it does not come to be that %s:\n%s", what, l.said())
		}
	}
}

// ask sends a request with the host's token.
func (l *lock) ask(t *testing.T, request, body string) (int, string) {
	t.Helper()
	token, _ := os.ReadFile(filepath.Join(l.journal, "api.token"))
	return l.askAs(t, strings.TrimSpace(string(token)), request, body)
}

func (l *lock) askAs(t *testing.T, token, request, body string) (int, string) {
	t.Helper()
	method, path, _ := strings.Cut(request, " ")
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+l.page+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	answer, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err.Error()
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		return 0, err.Error()
	}
	return answer.StatusCode, string(b)
}

// does asks for what has to work.
func (l *lock) does(t *testing.T, request, body string) string {
	t.Helper()
	status, answer := l.ask(t, request, body)
	if status != http.StatusOK {
		t.Fatalf("%s: %d %s", request, status, answer)
	}
	return answer
}

// wave has each balance print, and notes where that has to be.
func (l *lock) wave(t *testing.T, state string) (digits []string) {
	t.Helper()
	for i, p := range l.people {
		d := p.prints(t)
		digits = append(digits, d)
		l.goes(i, d, state)
	}
	return digits
}

// goes notes where a weighing of the nth balance, from 0, has to be by its policy. state: why the balance is unfit, "": it is not.
func (l *lock) goes(n int, digits, state string) {
	if state != "" && unfitBalances[n].unfit != "mark" {
		l.never = append(l.never, digits)
		return
	}
	l.there[digits] = state
}

// arrived holds every destination to what is to be there and what is not.
func (l *lock) arrived(t *testing.T, when string) {
	t.Helper()
	for _, s := range l.all {
		var found map[string][]string
		missing := func() (list []string) {
			found = map[string][]string{}
			for _, one := range s.look(t) {
				found[one.digits] = append(found[one.digits], one.text)
			}
			for d := range l.there {
				if found[d] == nil && !(s.quick && l.late[d]) {
					list = append(list, d)
				}
			}
			return list
		}
		lacks := missing()
		for limit := time.Now().Add(20 * time.Second); len(lacks) > s.short && time.Now().Before(limit); lacks = missing() {
			time.Sleep(30 * time.Millisecond)
		}
		if len(lacks) > s.short {
			t.Errorf("%s: %s lacks %v", when, s.name, lacks)
		}
		for _, d := range l.never {
			if found[d] != nil {
				t.Errorf("%s: %s has %s, which is held back", when, s.name, d)
			}
		}
		l.marked(t, when, s, found)
	}
}

// marked holds what is at a destination to its marks, and to having come once where the destination promises that.
func (l *lock) marked(t *testing.T, when string, s *spot, found map[string][]string) {
	t.Helper()
	for d, texts := range found {
		state, known := l.there[d]
		if !known || s.once && len(texts) > 1 || s.quick && l.late[d] {
			t.Errorf("%s: %s has %q %d times, and it was to be there: %v", when, s.name, d, len(texts), known)
		}
		for _, text := range texts {
			for _, unfit := range []string{record.OutOfService, record.InCheck} {
				if says := strings.Contains(strings.ToLower(text), unfit); !s.mute && says != (state == unfit) {
					t.Errorf("%s: at %s, %s says that its balance was %s: %v, and it was %q\n%.900s", when, s.name, d, unfit, says, state, text)
				}
			}
		}
		if s.name != "sparkplug" {
			continue
		}
		if said := l.host.said(d); said != state && (state != "" || said == record.OutOfService || said == record.InCheck) {
			t.Errorf("%s: by Sparkplug, the balance of %s was %q, and it was %q", when, d, said, state)
		}
	}
}

// TestTheLockAtEverySink takes balances out of service under each policy and with each kind of tap, has them print, be asked, be looked at,
// kills the daemon with weighings held back, releases some, and puts them back.
func TestTheLockAtEverySink(t *testing.T) {
	l := newLock(t)
	l.up(t)
	l.wave(t, "")
	l.arrived(t, "in service")
	l.taps(t, false)
	for _, p := range l.people {
		l.does(t, "POST /api/v1/balances/"+p.id+"/out-of-service", `{"reason": "it was dropped", "by": "ada"}`)
	}
	first := l.wave(t, record.OutOfService)
	l.arrived(t, "out of service")
	l.taps(t, true)
	l.requests(t)
	l.shownOut(t)
	l.killed(t)
	second := l.wave(t, record.OutOfService)
	l.arrived(t, "after a kill with weighings held back")
	l.release(t, first[1:3])
	l.arrived(t, "released")
	l.killed(t)
	for _, p := range l.people {
		l.does(t, "POST /api/v1/balances/"+p.id+"/in-service", `{"reason": "adjusted and checked by hand", "by": "ada"}`)
	}
	l.wave(t, "")
	l.arrived(t, "in service again")
	l.taps(t, false)
	during := l.checkFails(t)
	_ = l.daemon.Process.Signal(syscall.SIGTERM)
	if err := l.daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v\n%s", err, l.said())
	}
	l.kept(t, slices.Concat(first, second, during))
	if t.Failed() {
		t.Logf("the daemon's log ends:\n%s", l.said())
	}
}

// taps has each program send something, and the balance print: what goes through is what the tap's setting has.
func (l *lock) taps(t *testing.T, out bool) {
	t.Helper()
	type tried struct {
		p          *person
		word       string
		open, send bool
	}
	var list []tried
	for i, p := range l.people {
		b := unfitBalances[i]
		one := tried{p, fmt.Sprintf("Z%d;", time.Now().UnixNano()), !out || b.open, !out || b.send}
		if _, err := io.WriteString(p.line, one.word); err != nil {
			t.Errorf("%s: the program cannot send: %v", p.id, err)
		}
		list = append(list, one)
	}
	for i, one := range list {
		if one.send {
			l.until(t, "the balance is sent what the program says: "+one.p.id, func() bool { return one.p.was(one.word) })
		}
		// What the program gets next is this line: of what came while it was cut off, nothing is made up for.
		d := one.p.prints(t)
		l.goes(i, d, map[bool]string{true: record.OutOfService}[out])
		wait := 200 * time.Millisecond
		if one.open {
			wait = 10 * time.Second
		}
		_ = one.p.line.SetReadDeadline(time.Now().Add(wait))
		heard := false
		for !heard {
			line, err := one.p.heard.ReadString('\n')
			if err != nil {
				break
			}
			heard = strings.Contains(line, d)
		}
		if heard != one.open {
			t.Errorf("%s, out of service %v: the program hears %s: %v", one.p.id, out, d, heard)
		}
		if !one.send && one.p.was(one.word) {
			t.Errorf("%s: out of service, the balance was sent what the program says", one.p.id)
		}
	}
}

// requests asks each balance for a weight to be recorded: it is marked, held back or refused; to look at the weight goes on.
func (l *lock) requests(t *testing.T) {
	t.Helper()
	for i, p := range l.people {
		before := p.last()
		status, answer := l.ask(t, "POST /api/v1/balances/"+p.id+"/read", `{"record": true}`)
		switch refused := status == http.StatusConflict && strings.Contains(answer, "is out of service (it was dropped)"); {
		case unfitBalances[i].unfit == "refuse":
			if !refused || p.last() != before || p.was("Q") {
				t.Errorf("%s: %d %s, and it was asked: %v", p.id, status, answer, p.was("Q"))
			}
			l.does(t, "POST /api/v1/balances/"+p.id+"/read", "")
			if p.last() == before {
				t.Errorf("%s: it was not asked to look at its weight", p.id)
			}
		case status != http.StatusOK || p.last() == before:
			t.Errorf("%s: %d %s", p.id, status, answer)
		default:
			l.goes(i, p.last(), record.OutOfService)
		}
		_, page := l.ask(t, "GET /balances/"+p.id, "")
		if offered, says := strings.Contains(page, "Record this weight"), strings.Contains(page, "no weight is recorded here"); offered == (unfitBalances[i].unfit == "refuse") || says == offered {
			t.Errorf("%s, %s: the page offers to record: %v, and says why not: %v", p.id, unfitBalances[i].unfit, offered, says)
		}
	}
}

// shownOut looks at what says that balances are out of service: the broker's retained status, metrics, conditions.
func (l *lock) shownOut(t *testing.T) {
	t.Helper()
	for _, p := range l.people {
		l.until(t, "the broker shows that "+p.id+" is out of service", func() bool {
			l.mu.Lock()
			defer l.mu.Unlock()
			var s struct{ Service string }
			return json.Unmarshal([]byte(l.states[p.id]), &s) == nil && s.Service == record.OutOfService
		})
		if _, body := l.ask(t, "GET /metrics", ""); !strings.Contains(body, fmt.Sprintf("weighpost_balance_fitness{balance=%q,state=\"out of service\"} 1", p.id)) {
			t.Errorf("%s: the metrics do not say it", p.id)
		}
		if _, body := l.ask(t, "GET /readyz", ""); !strings.Contains(body, "Balance "+p.id+" is out of service") {
			t.Errorf("%s: no condition says it: %s", p.id, body)
		}
	}
}

// release lets some go, which only who may can.
func (l *lock) release(t *testing.T, digits []string) {
	t.Helper()
	var held struct{ Held []struct{ ID, What string } }
	list := l.does(t, "GET /api/v1/deliveries/http/held?limit=100", "")
	if err := json.Unmarshal([]byte(list), &held); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, one := range held.Held {
		if slices.Contains(digits, strings.TrimSuffix(one.What, " g")) {
			ids = append(ids, one.ID)
		}
	}
	if len(ids) != len(digits) || len(held.Held) != len(l.never) {
		t.Fatalf("%d are held back, %d of those that are wanted; %d were to be: %s", len(held.Held), len(ids), len(l.never), list)
	}
	order, _ := json.Marshal(map[string]any{"ids": ids, "reason": "weighed again, and it agrees", "by": "ada"})
	if status, answer := l.askAs(t, "", "POST /api/v1/deliveries/release", string(order)); status != http.StatusUnauthorized {
		t.Errorf("a release by nobody: %d %s", status, answer)
	}
	l.arrived(t, "a release was refused")
	l.does(t, "POST /api/v1/deliveries/release", string(order))
	l.never = slices.DeleteFunc(l.never, func(d string) bool { return slices.Contains(digits, d) })
	for _, d := range digits {
		l.there[d], l.late[d] = record.OutOfService, true
	}
}

// checkFails begins a check of one balance each of the policies mark and hold, has them print while the check waits for an answer, and has the
// check fail: what it did not take is marked, held by the policy, and among what is in doubt.
func (l *lock) checkFails(t *testing.T) (during []string) {
	t.Helper()
	l.does(t, "PUT /api/v1/reference-weights/f1-20", `{"nominal": "20 g", "class": "F1", "conventional": "20.00002 g", "uncertainty": "0.00003 g", "k": "2",
		"certificate": {"number": "4711", "by": "the institute", "date": "2020-01-15", "due": "2099-01-15"}, "by": "ada"}`)
	for i, p := range l.people[:2] {
		check := "/api/v1/balances/" + p.id + "/check"
		l.does(t, "POST "+check, `{"check": "daily", "weights": ["f1-20"], "by": "ada"}`)
		d := p.prints(t)
		l.goes(i, d, record.InCheck)
		during = append(during, d)
		l.arrived(t, p.id+" is in check")
		step := func(said string, next func() bool) {
			if _, err := io.WriteString(p.cord, said); err != nil {
				t.Fatal(err)
			}
			l.until(t, "the check of "+p.id+" goes on after "+said, next)
		}
		l.does(t, "POST "+check+"/act", `{"answer": "yes", "by": "ada"}`)
		step("     0.000 g\r\n", func() bool {
			_, body := l.ask(t, "GET "+check, "")
			return strings.Contains(body, `"waiting":"place"`)
		})
		step("    20.010 g\r\n", func() bool {
			_, body := l.ask(t, "GET /api/v1/balances/"+p.id+"/fitness", "")
			return strings.Contains(body, `"state":"out of service"`)
		})
		doubted := l.does(t, "GET /api/v1/balances/"+p.id+"/failures/c000001/weighings?limit=100", "")
		if !strings.Contains(doubted, fmt.Sprintf("\"digits\":%q", d)) {
			t.Errorf("%s was printed while %s was in check, and is not in doubt: %s", d, p.id, doubted)
		}
		l.goes(i, p.prints(t), record.OutOfService)
		l.arrived(t, "the check of "+p.id+" has failed")
	}
	return during
}

// kept reads the journal: each print is there once, marked and held as its balance's policy has it, and so is what was refused.
func (l *lock) kept(t *testing.T, unfit []string) {
	t.Helper()
	report, err := journal.Verify(t.Context(), l.journal, "", nil)
	if err != nil || !report.Verified {
		t.Fatalf("the journal does not verify: %v\n%s", err, report.Text())
	}
	times, refusals := map[string]int{}, 0
	err = journal.Scan(t.Context(), l.journal, 0, func(e record.Entry) error {
		if e.Kind == record.KindRefused && strings.Contains(string(e.JSON), "is out of service (it was dropped)") {
			refusals++
		}
		if e.Kind != record.KindWeighing {
			return nil
		}
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return err
		}
		d := w.Value.Digits
		times[d]++
		held := slices.Contains(l.never, d) || l.late[d]
		unfit := w.Fitness.State == record.OutOfService || w.Fitness.State == record.InCheck
		if state := l.there[d]; state != "" && state != w.Fitness.State || unfit != (state != "" || held) || w.Fitness.Held != held {
			t.Errorf("%s: %+v, and it was %q, held: %v", d, w.Fitness, state, held)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range unfit {
		if times[d] != 1 {
			t.Errorf("%s is in the journal %d times", d, times[d])
		}
	}
	if len(times) != len(l.there)+len(l.never) || refusals != 1 {
		t.Errorf("%d weighings, where %d went out and %d are held back; %d refusals", len(times), len(l.there), len(l.never), refusals)
	}
}
