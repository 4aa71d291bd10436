package injected

import (
	"encoding/json"
	"fmt"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/console"
)

// TestIDsArriveUnchangedAndWithoutEffect weighs under each id of the table, sets it in the other places where one can stand, and
// then reads what came of it in every place that it goes to.
func TestIDsArriveUnchangedAndWithoutEffect(t *testing.T) {
	l := newLab(t)
	all := ids()
	slices.Sort(all)
	l.start()
	b := startBrowser(t, l.g.PageURL())
	b.Visit("/")
	for i, id := range all {
		l.ask(200, "PUT", "balances/b-1/context", tied(id))
		_, answer := l.ask(200, "GET", "balances/b-1/context", nil)
		var view struct{ Items []struct{ Name, ID string } }
		if err := json.Unmarshal([]byte(answer), &view); err != nil || len(view.Items) != 6 || slices.ContainsFunc(view.Items, func(i struct{ Name, ID string }) bool { return i.ID != id }) {
			t.Errorf("%q: %v %s", id, err, answer)
		}
		l.weigh(i + 1)
		b.shows(id)
	}
	b.unharmed(t)
	l.everywhereElse(all)
	l.refusedEverywhere()
	l.ask(200, "POST", "backups", map[string]string{"by": all[0]})
	entries := l.weighings(all)
	l.outputs(all, entries)
	b.unharmed(t)
	l.pages(b, all)
	l.stop()
	l.afterwards(all, entries)
}

// everywhereElse sets each id where else one can be given: samples, names, badges, findings, reasons.
func (l *lab) everywhereElse(all []string) {
	l.t.Helper()
	for i, id := range all {
		l.ask(200, "POST", "samples", map[string]any{"id": id, "lot": id, "method": id, "run": id, "fields": map[string]string{"box": id}})
		if alone(id) {
			if _, got := l.ask(200, "GET", "samples/"+escaped(id), nil); field(l.t, got, "id") != id || field(l.t, got, "lot") != id {
				l.t.Errorf("the sample %q is given as %s", id, got)
			}
		}
		if len([]rune(id)) <= 120 {
			person := fmt.Sprint("p-", i)
			l.ask(200, "POST", "people", map[string]any{"id": person, "name": id, "roles": []string{"operator"}})
			l.ask(200, "POST", "people/"+person+"/badges", map[string]string{"code": id, "reason": id})
			if _, got := l.ask(200, "GET", "people/"+person, nil); field(l.t, got, "name") != id {
				l.t.Errorf("the person %q is given as %s", id, got)
			}
		}
		if i%8 == 0 {
			_, answer := l.ask(200, "GET", "people", nil)
			var people struct{ At uint64 }
			if err := json.Unmarshal([]byte(answer), &people); err != nil {
				l.t.Fatal(err)
			}
			l.ask(200, "POST", "account-reviews", map[string]any{"at": people.At, "findings": id})
			l.ask(200, "POST", "trail/reviews", map[string]any{"by": id, "findings": id, "reason": id})
		}
		// By somebody whose token is wrong: it is counted, and said.
		l.ask(0, "DELETE", "samples/"+escaped(id)+"?reason="+url.QueryEscape(id), nil, "Authorization", "Bearer "+strings.Repeat("x", 43))
	}
}

// pages goes over every page, after everything else that can be hostile has come too.
func (l *lab) pages(b *browser, all []string) {
	l.t.Helper()
	const markup = `<img src=x onerror="document.title='owned'"><b>LOT</b>`
	l.ask(200, "POST", "keys", map[string]any{"id": "lims", "name": markup, "roles": []string{"machine"}, "reason": markup})
	for _, line := range []string{"<img src=x onerror=1><b>LOT</b>\r\n", "\x1b]0;owned\x07\x9b31m\x00\xff\u202e1.5\r\n"} {
		if _, err := l.balance.Write([]byte(line)); err != nil {
			l.t.Fatal(err)
		}
	}
	l.waitFor("frames that cannot be read", func() bool { return l.g.Balances()[0].Unread >= 2 })
	l.waitFor("an entry set aside", func() bool {
		return slices.ContainsFunc(l.g.Sinks(), func(s console.Sink) bool { return s.ID == "refuses" && s.Parked > 0 })
	})
	if list := l.program("deliveries", "list", "refuses", "--config", filepath.Join(l.dir, "weighpost.yaml")); !strings.Contains(list, "<img src=x") {
		l.t.Errorf("deliveries list does not say why an entry is set aside: %.300s", list)
	}
	l.checks(all)
	l.vessels(all)
	runs := l.runs(all)
	w := l.signedIn(`<b>LOT</b>"'&lt;عينة`)
	w.wanders(append(runs, "/", "/wall", "/bench", "/bench/b-1", "/bench/cards", "/balances/b-1/label", "/clock", "/manual", "/weighed", "/happened?kind=all", "/happened?kind=all&sort=seq", "/happened/reviews", "/backups",
		"/samples", "/delivered", "/delivered/refuses", "/add", "/people", "/people/new", "/people/p-0/", "/people/roles", "/people/keys", "/people/reviews", "/account", "/sign-in?to=//owned.example", "/settings",
		"/settings/waiting", "/settings/history", "/settings/new/balance", "/settings/new/sink", "/settings/page", "/settings/balances/b-1", "/settings/balances/b-1/layout", "/settings/sinks/lims", "/wall/b-1",
		"/due", "/containers", "/containers/"+url.PathEscape(all[0]), "/labels/containers", "/slips", "/weights", "/labels/weights", "/balances/b-1/fitness", "/balances/b-1/file", "/balances/b-1/status-label", "/bench/b-1/check", "/bench/b-1/check?ended=c000001")...)
	// A visit is nobody's to read who did not begin it, and a certificate is a file as somebody sent it, and no page.
	if missing := w.missing(); !slices.Equal(missing, []string{"/add/{id}", "/weights/{id}/certificate"}) {
		l.t.Errorf("no page was read of %q", missing)
	}
	w.backToTheSame(all)
	w.lookedAt(b)
	w.announced(b)
}

// alone says whether an id can be one segment of a path: an empty one and dots are taken out of it by whoever sends or serves it.
func alone(id string) bool { return id != "." && id != ".." }

func field(t *testing.T, text, name string) string {
	t.Helper()
	var o map[string]any
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		t.Errorf("%v: %s", err, text)
	}
	value, _ := o[name].(string)
	return value
}

// refusedEverywhere sends what is no id by every way in. What is held stays as it was.
func (l *lab) refusedEverywhere() {
	l.t.Helper()
	l.ask(200, "PUT", "balances/b-1/context", tied("LOT-KEPT"))
	asked := len(l.heard("/context/answer"))
	for id, says := range refused {
		for _, name := range []string{"person", "sample", "method", "run", "lot"} {
			l.refuses(says, "PUT", "balances/b-1/context", map[string]any{name: item{id}})
		}
		l.refuses(says, "PATCH", "balances/b-1/context", map[string]any{"fields": map[string]any{"box": item{id}}})
		l.refuses(says, "PATCH", "balances/b-1/context", map[string]any{"request": id})
		l.refuses(says, "POST", "samples", map[string]any{"id": id})
		l.refuses(says, "POST", "samples", map[string]any{"id": "LOT-NEW", "lot": id})
		l.refuses(says, "POST", "people", map[string]any{"id": "p-new", "name": id, "roles": []string{"operator"}})
		l.refuses(says, "POST", "people", map[string]any{"id": id, "name": "Somebody", "roles": []string{"operator"}})
		l.refuses(says, "POST", "people/p-0/badges", map[string]any{"code": id, "reason": "new"})
		l.published("weighpost/seed-bank/b-1/context/set", tied(id))
		asked++
	}
	l.waitFor("an answer to each", func() bool { return len(l.heard("/context/answer")) >= asked })
	for _, answer := range l.heard("/context/answer") {
		if !strings.Contains(answer, `"accepted":false`) || field(l.t, answer, "why") == "" {
			l.t.Errorf("over the broker it is answered: %s", answer)
		}
		harmless(l.t, "an answer", answer)
	}
	l.holds(6)
	for id, says := range refused {
		l.refuses(says, "POST", "balances/b-1/scan", map[string]any{"raw": id})
	}
	l.scanned()
	l.holds(5) // a scan that would have set a sample and was refused ends the one before: which one is on the balance is not known then
	if _, list := l.ask(200, "GET", "samples?prefix=LOT-", nil); strings.Contains(list, "LOT-NEW") {
		l.t.Errorf("a sample with what is no id was taken: %s", list)
	}
}

// scanned has the scanner send what is no id. The two ends of a line are what ends a scan, so that none of them is in one.
func (l *lab) scanned() {
	l.t.Helper()
	for id := range refused {
		if strings.ContainsAny(id, "\r\n") {
			continue
		}
		if _, err := l.scan.Write([]byte(id + "\r\n")); err != nil {
			l.t.Fatal(err)
		}
		quoted := strconv.Quote(id)
		l.waitFor("that the scan "+quoted+" was refused", func() bool {
			said := l.condition("context-refused")
			harmless(l.t, "a condition", said)
			return strings.Contains(said, "The scan "+quoted[:min(len(quoted)-1, 40)])
		})
	}
}

// holds counts the items that are still held as they were set, and nothing else may be.
func (l *lab) holds(n int) {
	l.t.Helper()
	_, held := l.ask(200, "GET", "balances/b-1/context", nil)
	if kept, all := strings.Count(held, `"id":"LOT-KEPT"`), strings.Count(held, `"name":`); kept != n || all != n {
		l.t.Errorf("%d of %d items are as they were: %s", kept, all, held)
	}
}

// condition is what a condition says now; "" where it does not hold.
func (l *lab) condition(code string) string {
	for _, c := range l.g.Conditions() {
		if c.Code == code {
			return c.Sentence
		}
	}
	return ""
}

func (l *lab) refuses(says, method, path string, body any) {
	l.t.Helper()
	status, answer := l.ask(0, method, path, body)
	detail := field(l.t, answer, "detail")
	if status < 400 || status >= 500 || detail == "" || !strings.HasSuffix(detail, ".") {
		l.t.Errorf("%s %s %q: %d %s", method, path, body, status, answer)
	}
	harmless(l.t, path, answer)
}

func (l *lab) published(topic string, body any) {
	l.t.Helper()
	payload, err := json.Marshal(body)
	if err != nil {
		l.t.Fatal(err)
	}
	if done := l.broker.Publish(topic, 1, false, payload); !done.WaitTimeout(patience) || done.Error() != nil {
		l.t.Fatal(done.Error())
	}
}
