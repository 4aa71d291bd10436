package mail

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

var noon = time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)

func newWatcher(change ...func(*Alarms)) *watcher {
	w := &watcher{cfg: Default().Alarms, own: "alarms", began: noon.Add(-time.Hour), told: map[ref]*told{}, first: map[ref]time.Time{}, waits: map[ref]condition{}}
	for _, f := range change {
		f(&w.cfg)
	}
	return w
}

func lost(balance string) condition {
	return condition{Code: "port-lost", Subject: balance, Severity: "error", Sentence: "Nothing comes from " + balance + ".", Since: noon}
}

// told gives what is due at a time, as "new: a; over: b", and takes it as told.
func (w *watcher) tells(at time.Time, hold ...condition) string {
	d, _ := w.look(at, hold)
	text := d.short()
	if !d.empty() {
		w.done(at, d, "id@"+at.Format("15:04:05"))
	}
	return text
}

func (d *due) short() string {
	var parts []string
	add := func(what string, subjects []string) {
		if len(subjects) > 0 {
			parts = append(parts, what+": "+strings.Join(subjects, ", "))
		}
	}
	of := func(list []condition) (s []string) {
		for _, c := range list {
			s = append(s, c.Subject)
		}
		return s
	}
	add("new", of(d.fresh))
	add("still", of(d.still))
	var over []string
	for _, o := range d.over {
		over = append(over, o.Subject)
	}
	add("over", over)
	add("missed", of(d.missed))
	return strings.Join(parts, "; ")
}

func TestWhatIsToldOfACondition(t *testing.T) {
	w := newWatcher()
	warning := lost("b-1")
	warning.Severity = "warning"
	mild := condition{Code: "space-low", Subject: "journal", Severity: "warning"}
	own := condition{Code: "sink-stopped", Subject: "alarms", Severity: "error"}
	for i, step := range []struct {
		after time.Duration
		hold  []condition
		want  string
	}{
		{0, []condition{lost("b-1"), mild, own}, ""},
		{9 * time.Second, []condition{lost("b-1")}, ""},
		{10 * time.Second, []condition{lost("b-1"), mild, own}, "new: b-1"},
		{11 * time.Second, []condition{lost("b-1")}, ""},
		{time.Hour, []condition{lost("b-1"), lost("b-2")}, ""},
		{time.Hour + 10*time.Second, []condition{lost("b-1"), lost("b-2")}, "new: b-2"},
		{24*time.Hour + 9*time.Second, []condition{lost("b-1"), lost("b-2")}, ""},
		{24*time.Hour + 10*time.Second, []condition{lost("b-1"), lost("b-2")}, "still: b-1"},
		{25*time.Hour + 10*time.Second, []condition{lost("b-1")}, ""}, // b-2 is gone, and may come back within wait
		{25*time.Hour + 20*time.Second, []condition{lost("b-1")}, "over: b-2"},
		{26 * time.Hour, []condition{warning}, ""}, // milder, and still there
		{27 * time.Hour, nil, ""},
		{27*time.Hour + 10*time.Second, nil, "over: b-1"},
		{28 * time.Hour, nil, ""},
	} {
		if got := w.tells(noon.Add(step.after), step.hold...); got != step.want {
			t.Errorf("step %d, after %s: told %q, want %q", i, step.after, got, step.want)
		}
	}
	if len(w.first)+len(w.waits) > 0 {
		t.Errorf("remembers %v, %v", w.first, w.waits)
	}
}

func TestWhatGetsWorseIsToldAtOnce(t *testing.T) {
	w := newWatcher(func(a *Alarms) { a.Severity = "notice" })
	c := lost("b-1")
	for i, severity := range []string{"notice", "warning", "error", "warning", "error"} {
		c.Severity = severity
		w.tells(noon, c)
		want := []string{"new: b-1", "still: b-1", "still: b-1", "", ""}[i]
		if got := w.tells(noon.Add(time.Duration(10+i)*time.Second), c); i == 0 && got != want {
			t.Errorf("%s: %q", severity, got)
		}
		if w.told[c.ref()].Severity != []string{"notice", "warning", "error", "error", "error"}[i] {
			t.Errorf("%s: the worst that was told is %s", severity, w.told[c.ref()].Severity)
		}
	}
}

// TestAConditionUnderAnotherIsNoAlarmOfItsOwn: a cause is told, also for the code of what comes from it, and what goes under a cause is
// not over.
func TestAConditionUnderAnotherIsNoAlarmOfItsOwn(t *testing.T) {
	w := newWatcher(func(a *Alarms) { a.Codes = []string{"port-lost"} })
	w.tells(noon, lost("b-1"))
	if got := w.tells(noon.Add(time.Minute), lost("b-1"), condition{Code: "backup-failed", Subject: "backup", Severity: "error"}); got != "new: b-1" {
		t.Error(got)
	}
	root := condition{Code: "device-server-gone", Subject: "ports.example", Severity: "error", Consequences: []condition{lost("b-1"), lost("b-2")}}
	w.tells(noon.Add(2*time.Minute), root)
	if got := w.tells(noon.Add(3*time.Minute), root); got != "new: ports.example" {
		t.Error(got)
	}
	if got := w.tells(noon.Add(10 * time.Minute)); got != "" {
		t.Error(got)
	}
	if got := w.tells(noon.Add(11 * time.Minute)); got != "over: ports.example, b-1" {
		t.Error(got)
	}
}

// TestAConditionThatFlaps is there every other minute for a day: the first time is told at once, then no more than every hour.
func TestAConditionThatFlaps(t *testing.T) {
	w := newWatcher()
	messages := 0
	for second := range 24 * 3600 {
		var hold []condition
		if second/60%2 == 0 {
			hold = []condition{lost("b-1")}
		}
		if got := w.tells(noon.Add(time.Duration(second)*time.Second), hold...); got != "" {
			messages++
		}
	}
	if messages < 24 || messages > 50 { // there and over, each hour
		t.Errorf("%d messages a day", messages)
	}
	short := newWatcher() // shorter than wait: never
	for second := range 3600 {
		var hold []condition
		if second%20 < 9 {
			hold = []condition{lost("b-1")}
		}
		if got := short.tells(noon.Add(time.Duration(second)*time.Second), hold...); got != "" {
			t.Fatalf("after %d s: %s", second, got)
		}
	}
}

// TestWhatIsHeldBackIsToldAfterwards: what is due while no message may go out is told later, also what is over by then.
func TestWhatIsHeldBackIsToldAfterwards(t *testing.T) {
	w := newWatcher(func(a *Alarms) { a.Wait = 0 })
	hold := []condition{lost("b-1"), lost("b-2")}
	d, _ := w.look(noon, hold)
	w.held(d)
	for i := range 60 {
		hold = append(hold, lost(fmt.Sprintf("x-%02d", i)))
	}
	d, _ = w.look(noon.Add(time.Minute), hold)
	w.held(d)
	d, _ = w.look(noon.Add(time.Hour), []condition{lost("b-2")})
	if len(d.fresh) != 1 || d.fresh[0].Subject != "b-2" || len(d.missed) != mostMissed || d.more != 11 {
		t.Fatalf("%d new, %d missed and %d more", len(d.fresh), len(d.missed), d.more)
	}
	w.done(noon.Add(time.Hour), d, "id")
	if got := w.tells(noon.Add(2*time.Hour), lost("b-2")); got != "" {
		t.Errorf("told again: %s", got)
	}
}

func TestNothingIsToldRightAfterAStart(t *testing.T) {
	w := newWatcher()
	w.began = noon
	w.told[ref{"port-lost", "b-9"}] = &told{Code: "port-lost", Subject: "b-9", Last: noon.Add(-time.Hour)}
	for second := range 121 {
		want := ""
		if second == 120 {
			want = "new: b-1, b-2; over: b-9"
		}
		if got := w.tells(noon.Add(time.Duration(second)*time.Second), lost("b-1"), lost("b-2")); got != want {
			t.Fatalf("after %d s: %q, want %q", second, got, want)
		}
	}
}

func TestWhatWasToldSurvivesARestart(t *testing.T) {
	folder := t.TempDir()
	open := func() (*memory, *allowance) {
		return openMemory(folder, "alarms", slog.New(slog.DiscardHandler)), &allowance{most: 5, span: time.Hour}
	}
	w := newWatcher(func(a *Alarms) { a.Wait = 0 })
	w.tells(noon, lost("b-1"))
	m, hourly := open()
	hourly.use(time.Now())
	m.save(w.told, hourly.all())
	m, hourly = open()
	next := newWatcher(func(a *Alarms) { a.Wait = 0 })
	next.told = m.load(hourly)
	if n, _ := hourly.left(time.Now()); n != 4 {
		t.Errorf("%d messages are left in the hour", n)
	}
	again := lost("b-1")
	again.Since = noon.Add(time.Hour) // the daemon begins anew to count
	if got := next.tells(noon.Add(time.Hour), again); got != "" {
		t.Errorf("told again: %s", got)
	}
	if d, _ := next.look(noon.Add(25*time.Hour), []condition{again}); len(d.still) != 1 || !d.still[0].Since.Equal(noon) {
		t.Errorf("%+v", d)
	}
	file := filepath.Join(folder, "mail-alarms.json")
	for name, spoil := range map[string]func() error{
		"cut":    func() error { return os.WriteFile(file, []byte(`{"told":[{"co`), 0o600) },
		"null":   func() error { return os.WriteFile(file, []byte(`{"told":[null]}`), 0o600) },
		"huge":   func() error { return os.Truncate(file, 2*mostMemory) },
		"a link": func() error { os.Remove(file); return os.Symlink("/etc/passwd", file) },
		"gone":   func() error { return os.Remove(file) },
	} {
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		m, hourly = open()
		if got := m.load(hourly); len(got) != 0 {
			t.Errorf("%s: %v", name, got)
		}
	}
	m.save(w.told, nil)
	if left, _ := filepath.Glob(filepath.Join(folder, "*")); len(left) != 1 {
		t.Errorf("the folder holds %v", left)
	}
}

func TestTheHour(t *testing.T) {
	a := &allowance{most: 2, span: time.Hour}
	for i, step := range []struct {
		after time.Duration
		n     int
		wait  time.Duration
	}{{0, 2, 0}, {10 * time.Minute, 1, 0}, {20 * time.Minute, 0, 40 * time.Minute}, {time.Hour, 1, 0}, {time.Hour + time.Minute, 0, 9 * time.Minute}} {
		n, wait := a.left(noon.Add(step.after))
		if n != step.n || wait != step.wait {
			t.Errorf("step %d: %d, %s, want %d, %s", i, n, wait, step.n, step.wait)
		}
		if n > 0 {
			a.use(noon.Add(step.after))
		}
	}
}

// TestSubjectsAreOneLine: what a condition says is of outside, too.
func TestSubjectsAreOneLine(t *testing.T) {
	c := *Default()
	c.From, c.To = "weighpost@lab.example", []string{"keeper@lab.example"}
	s := &Sink{cfg: c, id: "alarms", site: "north-lab"}
	evil := lost("b-1")
	evil.Sentence = "Lost.\r\nBcc: thief@elsewhere.example\r\n\r\n" + strings.Repeat("x", 10000)
	evil.Remedy = "\x1b[2J\u202eplug"
	l := s.ofConditions(due{fresh: []condition{evil}})
	if len(l.subject) > 200 || strings.ContainsAny(l.subject, "\r\n") || !strings.HasPrefix(l.subject, "[north-lab] error: Lost. Bcc:") {
		t.Errorf("subject %q", l.subject)
	}
	if len(l.body) > 3000 || strings.ContainsAny(l.body, "\r\x1b\u202e") || strings.Contains(l.body, "\nBcc") {
		t.Errorf("body %q", l.body)
	}
	if again := s.ofConditions(due{fresh: []condition{evil}}); again.id != l.id || s.ofConditions(due{still: []condition{evil}}).id == l.id {
		t.Error("the same has not the same id, or another has")
	}
}

func TestConfigFaults(t *testing.T) {
	const good = "server: mail.example\nfrom: w@lab.example\nto: [k@lab.example]\n"
	for text, want := range map[string]string{
		"from: w@lab.example\nto: [k@lab.example]": "server: the mail server is missing",
		good + "tls: sometimes":                    "tls: ",
		good + "tls: none":                         "tls: anyone on the way to the server could read",
		good + "user: a":                           "user: user and password go together",
		good + "auth: cram":                        "auth: ",
		good + "ca: a.pem":                         `ca: "a.pem" is not absolute`,
		good + "timeout: 10m":                      "timeout: 10m0s is out of range",
		good + "per_hour: 0":                       "per_hour: 0 messages",
		good + "alarms: {severity: awful}":         "alarms.severity: ",
		good + "alarms: {wait: 2h}":                "alarms.wait: ",
		good + "alarms: {repeat: 1m}":              "alarms.repeat: ",
		good + "alarms: {codes: [\"A B\"]}":        "alarms.codes[0]: ",
		"server: mail.example:x\nfrom: w@lab.example\nto: [k@lab.example]":                         `server: "x" is no port`,
		"server: \"a b\"\nfrom: w@lab.example\nto: [k@lab.example]":                                "server: ",
		"server: mail.example\nto: [k@lab.example]":                                                "from: the address that messages come from is missing",
		"server: mail.example\nfrom: \"W <w@lab.example>\"\nto: [k@lab.example]":                   "from: ",
		"server: mail.example\nfrom: w@lab.example":                                                "to: there are 0 addresses",
		"server: mail.example\nfrom: w@lab.example\nto: [nobody]":                                  "to[0]: \"nobody\" is no address",
		"server: mail.example\nfrom: w@lab.example\nto: [\"k@lab.example\\r\\nBcc: x@y.example\"]": "to[0]: ",
		"server: mail.example\nfrom: w@lab.example\nto: [k@lab.example, k@lab.example]":            "to[1]: \"k@lab.example\" stands here twice",
		"server: mail.example\nfrom: w@lab.example\nto: [ké@lab.example]":                          "to[0]: ",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(text), c)
		r := doc.Report()
		c.Check(r)
		if all := append(faults, r.Faults()...); len(all) != 1 || !strings.Contains(all.Error(), ": "+want) {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
	for _, text := range []string{good, good + "tls: tls\nuser: a\npassword: env:P\nauth: xoauth2", "server: \"[::1]:25\"\ntls: none\nfrom: w@lab.example\nto: [k@lab.example]",
		good + "tls: none\ninsecure: true\nalarms: {severity: none, repeat: 0s}"} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(text), c)
		r := doc.Report()
		c.Check(r)
		if all := append(faults, r.Faults()...); len(all) > 0 {
			t.Errorf("%q: %v", text, all)
		}
	}
	c := Config{Server: "mail.example", TLS: startTLS, To: []string{"b@x", "a@x"}}
	if got := New(c, "x", sinks.Env{}); got.Far() != "mail.example:587" || c.Destination() != "mail to a@x, b@x" {
		t.Errorf("%s, %s", got.Far(), c.Destination())
	} else {
		_ = got.Close()
	}
}
