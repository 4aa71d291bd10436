package screens

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// drawerLab opens the pages over a journal in memory.
func drawerLab(t *testing.T, s *drawer) *lab {
	return newLab(t, Deps{Entries: s, Evidence: s, Exports: s, Source: source{balances: []console.Balance{{ID: "b-12"}, {ID: "b-13"}},
		journal: console.Journal{Head: s.Head(), Checkpoints: []console.Acknowledged{{Sink: "archive", Size: 2}}}}})
}

// fetch asks for a page that has to be there.
func (l *lab) fetch(t *testing.T, path string, who rights.Who) string {
	t.Helper()
	status, body := l.get(t, path, who)
	if status != http.StatusOK {
		t.Fatalf("%s: %d %.500s", path, status, body)
	}
	return body
}

// numbersShown lists the records that a page shows, by number.
func numbersShown(t *testing.T, body string) (numbers []string) {
	for _, a := range elements(t, body, "a") {
		if h := attribute(a, "href"); strings.HasPrefix(h, "/weighed/") && len(elements(t, body, "table")) > 0 && a.Parent.Data == "td" {
			numbers = append(numbers, h[strings.LastIndex(h, "/")+1:])
		}
	}
	return numbers
}

// leadsTo finds where a page leads on, by its relation.
func leadsTo(t *testing.T, body, rel string) string {
	for _, a := range elements(t, body, "a", "rel="+rel) {
		return attribute(a, "href")
	}
	return ""
}

// TestAListStaysWhereItIsWhileEntriesCome: pages forth and back show every weighing once, whatever is added meanwhile.
func TestAListStaysWhereItIsWhileEntriesCome(t *testing.T) {
	for _, order := range []string{"", "seq", "-time", "time"} {
		s := &drawer{}
		for i := range 130 {
			s.weighing(t, "b-12", fmt.Sprintf("%d.5", i), "LOT-1", i%60)
			s.add(t, record.KindPortUp, "b-12", stampAt(i, "checked"))
		}
		l := drawerLab(t, s)
		at, seen, parts := "/weighed?sort="+order, map[string]int{}, 0
		var first []string
		back := ""
		for at != "" && parts < 9 {
			body := l.fetch(t, at, as(""))
			now := numbersShown(t, body)
			for _, n := range now {
				seen[n]++
			}
			if parts == 0 {
				first = now
			}
			if parts == 1 {
				back = leadsTo(t, body, "prev")
			}
			parts++
			at = leadsTo(t, body, "next")
			for range 7 { // they come while somebody reads
				s.weighing(t, "b-12", "9.9", "LATER", 59)
			}
		}
		for i := 1; i <= 130; i++ {
			if n := fmt.Sprintf("%06d", i); seen[n] != 1 {
				t.Fatalf("%q: %s was shown %d times", order, n, seen[n])
			}
		}
		if strings.HasSuffix(order, "time") {
			if back != "" {
				t.Errorf("%q leads back to %s", order, back)
			}
			continue
		}
		if now := numbersShown(t, l.fetch(t, back, as(""))); !slices.Equal(now, first) {
			t.Errorf("%q: the way back is %v, was %v", order, now, first)
		}
	}
}

// TestAFilterIsAnAddress: what is asked for comes back in the form, narrows the list, and is told in words.
func TestAFilterIsAnAddress(t *testing.T) {
	s := &drawer{}
	s.weighing(t, "b-12", "1.5", "LOT-1", 1)
	s.weighing(t, "b-13", "2.25", "LOT-2", 2)
	s.add(t, record.KindResult, "b-13", `"value":{"digits":"12","printed_unit":"pcs","kind":"unknown","stability":"unknown","range":"in","auxiliary_digits":0},`+stampAt(3, "unchecked"))
	l := drawerLab(t, s)
	for query, want := range map[string]string{
		"": "[000002 000001 000001]", "balance=b-12": "[000001]", "sample=LOT-2": "[000001]", "person=p-07": "[000001 000001]", "text=lot-2": "[000001]",
		"kind=result": "[000002]", "kind=weighing&sort=seq": "[000001 000001]", "kind=nonsense": "[000002 000001 000001]", "from=2026-11-26": "[]", "from=2026-11-24&to=2026-11-26": "[000002 000001 000001]",
		"clock=unchecked": "[000002]", "run=R-1": "[]", "to=2026-11-25T10:02:00Z": "[000001]",
	} {
		body := l.fetch(t, "/weighed?"+query, as(""))
		if got := fmt.Sprint(numbersShown(t, body)); got != want {
			t.Errorf("%s: %s, not %s", query, got, want)
		}
		asked, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		for name := range asked {
			if asked.Get(name) == "nonsense" {
				continue
			}
			if name == "kind" || name == "sort" || name == "clock" {
				if len(elements(t, body, "option", "value="+asked.Get(name), "selected")) != 1 && !strings.Contains(body, "<option selected>"+asked.Get(name)) {
					t.Errorf("%s: %s is not what is chosen", query, name)
				}
			} else if len(elements(t, body, "input", "name="+name, "value="+asked.Get(name))) == 0 {
				t.Errorf("%s: the field %s does not hold it", query, name)
			}
		}
		if text := mainText(t, body); !strings.Contains(text, "weighings") || strings.Contains(query, "LOT-2") && !strings.Contains(text, `with sample "LOT-2"`) {
			t.Errorf("%s: it does not say what the list is: %s", query, mainText(t, body))
		}
	}
	for query, want := range map[string]string{"from=yesterday": "write a date", "text=!!": "holds no word", "clock=broken": "it is checked, holdover or unchecked", "cursor=x": "cursor"} {
		if body := l.fetch(t, "/weighed?"+query, as("")); !strings.Contains(mainText(t, body), want) || strings.Contains(body, `id="take"`) {
			t.Errorf("%s: %s", query, mainText(t, body))
		}
	}
	s.wrong = errors.New("the index has not come far enough for this list")
	if body := l.fetch(t, "/weighed", as("")); !strings.Contains(mainText(t, body), "cannot be read so now: the index") {
		t.Error(mainText(t, body))
	}
}

// TestDigitsStandBelowEachOther: what is left free is not printed, and no digit is added to a value.
func TestDigitsStandBelowEachOther(t *testing.T) {
	rows := []weighed{{}, {}, {}, {}}
	for i, v := range []string{"12.3450", "7", "-0.25", ""} {
		rows[i].Value = record.Value{Digits: v, Range: "in"}
	}
	rows[3].Value.Range = "over"
	alignValues(rows)
	for i, want := range []string{"", "\u2008\u2007\u2007\u2007\u2007", "\u2007\u2007", "\u2008\u2007\u2007\u2007\u2007"} {
		if rows[i].Pad != want {
			t.Errorf("%s gets %q, not %q", rows[i].Value.Digits, rows[i].Pad, want)
		}
	}
}

// TestANewcomerIsToldWhatToDo where nothing was weighed: add a balance, or print.
func TestANewcomerIsToldWhatToDo(t *testing.T) {
	l := newLab(t, Deps{Entries: &drawer{}})
	if body := l.fetch(t, "/weighed", as("")); len(elements(t, body, "a", "href=/add")) != 1 || strings.Contains(body, "<table") {
		t.Error(mainText(t, body))
	}
	if body := drawerLab(t, &drawer{}).fetch(t, "/weighed", as("")); !strings.Contains(mainText(t, body), "press its print key") {
		t.Error(mainText(t, body))
	}
	if body := l.fetch(t, "/weighed?text=LOT", as("")); strings.Contains(body, `href="/add"`) || !strings.Contains(mainText(t, body), "that fits this") {
		t.Error("a search that finds nothing looks like an empty journal: ", mainText(t, body))
	}
}

// TestOneRecordIsShownWhole: value, stamp, context, verdicts, bytes, proof, deliveries, neighbours, and what corrects it.
func TestOneRecordIsShownWhole(t *testing.T) {
	s := &drawer{uncover: 4, deliver: []console.DeliveryOf{{Sink: "archive", Kind: "files", State: console.DeliveryHad},
		{Sink: "lims", Kind: "http", State: console.DeliverySetAside, Why: "no such <b>lot</b>", Notice: 3}, {Sink: "mq", Kind: "mqtt", State: console.DeliveryWaits, Why: "refused"},
		{Sink: "old", Kind: "mqtt", State: console.DeliveryNotWanted}}}
	s.weighing(t, "b-12", "1.5000", "LOT-1", 1)
	e := s.weighing(t, "b-12", "12.3450", "LOT-2", 2)
	s.weighing(t, "b-12", "7.25", "LOT-3", 3)
	s.add(t, record.KindClockCorrected, "", `"from":2,"to":2,"from_utc":"2026-11-25T00:00:00Z","to_utc":"2026-11-26T00:00:00Z","offset_s":"-3.000000","bound_s":0.5,"why":"the server was wrong","by":{"id":"ada","by":"password"},`+stampAt(9, "checked"))
	s.weighing(t, "b-12", "8.25", "LOT-4", 10)
	l := drawerLab(t, s)
	path := entryPath(e)
	if path != "/weighed/seed-bank/7qx3/b-12/000002" {
		t.Fatal(path)
	}
	body := l.fetch(t, path, as(rights.Auditor))
	text := mainText(t, body)
	for _, want := range []string{"12.3450", "weighing, net", "settled", "± 0.021 s", "Checked: time servers agree", "3 servers agreed", "LOT-2", "scanned", "Ada Quill", "identified by badge",
		"minimum weight", "limit 0.0820 g", "passed", "4e 20 20 31 32 2e 33 34 35 30 20 67 0d 0a", "CR LF", "sha256:0a0b", strings.Repeat("1f", 32), "leaf 1, counted from 0, of the 5",
		"weighpost/seed-bank/7qx3+0a1b2c3d", "held elsewhere, by archive", "refused, parked", "no such <b>lot</b>", "not yet delivered", "not wanted there",
		"Corrected later", "10:02:02.123456", "the server was wrong", "within 0.5 s", "Before: 1.5000 g", "After: 7.25 g"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	if !strings.Contains(text, string(e.JSON)) {
		t.Error("the exact record is not there")
	}
	if leadsTo(t, body, "prev") != "/weighed/seed-bank/7qx3/b-12/000001" || leadsTo(t, body, "next") != "/weighed/seed-bank/7qx3/b-12/000003" {
		t.Error("the neighbours are", leadsTo(t, body, "prev"), leadsTo(t, body, "next"))
	}
	if len(elements(t, body, "a", "href=/api/v1/proof?id=seed-bank%2f7qx3%2fb-12%2f000002")) != 1 {
		t.Error("an auditor is not offered the proof")
	}
	if text := mainText(t, l.fetch(t, "/weighed/seed-bank/7qx3/b-12/000004", as(""))); !strings.Contains(text, "No checkpoint covers this record yet") ||
		!strings.Contains(text, "Held elsewhere: none") || strings.Contains(text, "Corrected later") {
		t.Error(text)
	}
	for _, bad := range []string{"/weighed/seed-bank/7qx3/b-12/000009", "/weighed/a/b/c/%3Cb%3Ed"} {
		if status, body := l.get(t, bad, as("")); status != http.StatusNotFound || strings.Contains(body, "<b>d") {
			t.Errorf("%s: %d", bad, status)
		}
	}
}

// TestBytesAreNamed: 16 a row, each control character of ISO/IEC 646 by its name, what is beyond ASCII by its number.
func TestBytesAreNamed(t *testing.T) {
	rows := bytesOf([]byte("\x02\x1b\x7f\xb5 <b>0123456789AB"))
	if len(rows) != 2 || rows[1].Offset != 16 || len(rows[0].Hex) != 16 || len(rows[1].Hex) != 4 {
		t.Fatalf("%+v", rows)
	}
	for i, want := range []string{"STX", "ESC", "DEL", "xB5", "\u00a0", "<"} {
		if got := rows[0].Text[i]; got.Shown != want || got.Named != (i < 4) {
			t.Errorf("byte %d is %+v, not %s", i, got, want)
		}
	}
	if bytesOf(nil) != nil {
		t.Error("no bytes have a row")
	}
}

// evilText is text from outside that tries to be markup, to turn the direction of text, or to steer.
const evilText = "<img src=x onerror=alert(1)><b>\u202eLOT\u001b[31m\"'&amp;</textarea></script>{{.}}"

// TestTextFromOutsideIsText in samples, names, units, verdicts, fields, bytes and ids, on every page of records.
func TestTextFromOutsideIsText(t *testing.T) {
	s := &drawer{deliver: []console.DeliveryOf{{Sink: evilText, Kind: evilText, State: evilText, Why: evilText}}}
	h := quoted(evilText)
	s.add(t, record.KindWeighing, "b-12", `"value":{"digits":`+h+`,"unit":`+h+`,"printed_unit":`+h+`,"kind":`+h+`,"stability":`+h+`,"range":"in","auxiliary_digits":0},"frame":"PGI+","layout":`+h+`,"trigger":`+h+
		`,"port":`+h+`,`+stampAt(1, "checked")+`,"context":{"person":{"id":`+h+`,"by":`+h+`,"name":`+h+`,"role":`+h+`,"how":`+h+`},"sample":{"id":`+h+`,"by":"scanned"},"fields":{"room":`+h+`}},"verdicts":[{"rule":`+h+
		`,"pass":false,"limit":`+h+`,"why":`+h+`}],"fitness":{"state":`+h+`,"due":`+h+`},"software":{"version":`+h+`,"config":`+h+`},"printed":{"person":`+h+`,"sample":`+h+`}`)
	s.add(t, record.KindRefused, "", `"what":`+h+`,"why":`+h+`,"by":{"id":`+h+`,"name":`+h+`},`+stampAt(2, "checked"))
	s.add(t, record.KindContextChanged, "b-12", `"before":{"sample":{"id":`+h+`}},"after":{"sample":{"id":"x"},"fields":{`+h+`:`+h+`}},"cause":`+h+`,`+stampAt(3, "checked"))
	s.add(t, record.KindTrailReviewed, "", `"from":1,"to":2,"filter":`+h+`,"findings":`+h+`,"reason":`+h+`,"by":{"id":`+h+`},`+stampAt(4, "checked"))
	l := drawerLab(t, s)
	ask := url.QueryEscape(evilText)
	for _, path := range []string{"/weighed", "/weighed?sample=" + ask + "&text=" + ask + "&from=" + ask + "&sort=" + ask + "&kind=" + ask + "&balance=" + ask, "/weighed/seed-bank/7qx3/b-12/000001", "/happened?kind=all",
		"/happened?kind=" + ask + "&person=" + ask, "/happened/1", "/happened/2", "/happened/3", "/happened/4", "/happened/reviews"} {
		body := l.fetch(t, path, as(rights.Auditor))
		for _, bad := range []string{"img", "b:not", "iframe"} {
			if len(elements(t, body, bad)) > 0 {
				t.Errorf("%s: a text became <%s>", path, bad)
			}
		}
		if strings.Contains(body, "\u202e") && !strings.Contains(path, "?") || strings.ContainsRune(body, 0x1b) && !strings.Contains(path, "?") {
			t.Errorf("%s: what cannot be seen is not told", path)
		}
		if !strings.Contains(path, "?") && !strings.Contains(body, "&lt;U&#43;202E&gt;") && !strings.Contains(body, "&lt;U+202E&gt;") {
			t.Errorf("%s: the text is not there: the test shows nothing", path)
		}
	}
}

// TestOnlyWhatIsPermittedIsOffered: to take entries away, proofs, reviews, backups, samples.
func TestOnlyWhatIsPermittedIsOffered(t *testing.T) {
	s := &drawer{}
	s.weighing(t, "b-12", "1.5", "LOT-1", 1)
	l := drawerLab(t, s)
	for _, role := range []string{rights.Operator, rights.Reviewer, rights.BalanceKeeper, rights.IT, rights.Auditor} {
		who := as(role)
		for path, marks := range map[string]map[string]rights.Right{
			"/weighed":                            {`id="take"`: rights.Export},
			"/happened?kind=all":                  {`id="take"`: rights.Export},
			"/weighed/seed-bank/7qx3/b-12/000001": {`id="take-proof"`: rights.Export},
			"/happened/1":                         {`id="take-proof"`: rights.Export},
			"/happened/reviews":                   {`data-send="POST /api/v1/trail/reviews"`: rights.ReviewTrail},
		} {
			status, body := l.get(t, path, who)
			if may := who.May(rights.ReadJournal) == nil; may != (status == http.StatusOK) {
				t.Fatalf("%s, %s: %d", role, path, status)
			} else if !may {
				continue
			}
			for mark, right := range marks {
				if offered, may := strings.Contains(body, mark), who.May(right) == nil; offered != may {
					t.Errorf("%s, %s: %s is offered %v, and permitted %v", role, path, mark, offered, may)
				}
			}
		}
	}
}

// TestWhatIsNotJudgedIsShownAsThat: neither passed nor failed, in the list and on the page of the record, with the limit and where it comes
// from; and a weighing of a balance that was out of service says so, and that it is held back.
func TestWhatIsNotJudgedIsShownAsThat(t *testing.T) {
	s := &drawer{}
	weigh := func(verdict, fitness string) string {
		return entryPath(s.add(t, record.KindWeighing, "b-12", `"value":{"digits":"1.5","unit":"g","printed_unit":"g","kind":"gross","stability":"stable","range":"in"},`+
			stampAt(1, "checked")+`,"context":{},"verdicts":[`+verdict+`],"fitness":`+fitness))
	}
	unjudged := weigh(`{"rule":"minimum-weight","pass":false,"not_judged":true,"why":"it is gross"}`, `{"state":"out of service","held":true}`)
	judged := weigh(`{"rule":"minimum-weight","pass":false,"limit":"2 g","from":"certificate <b>4711</b>","why":"it is too little"}`, `{"state":"overdue"}`)
	l := drawerLab(t, s)
	text := mainText(t, l.fetch(t, unjudged, as(rights.Auditor)))
	for _, want := range []string{"not judged minimum weight", "it is gross", "out of service; held back from destinations until somebody releases it"} {
		if !strings.Contains(text, want) {
			t.Errorf("the record does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "passed") {
		t.Errorf("what is not judged is said to have passed or not:\n%s", text)
	}
	if text := mainText(t, l.fetch(t, judged, as(rights.Auditor))); !strings.Contains(text, "not passed minimum weight, limit 2 g") || !strings.Contains(text, "The limit comes from: certificate <b>4711</b>") {
		t.Errorf("the record does not say what the limit is, and where it comes from:\n%s", text)
	}
	list := mainText(t, l.fetch(t, "/weighed", as(rights.Auditor)))
	for want, times := range map[string]int{"minimum weight not judged": 1, "minimum weight not passed": 1, "balance out of service": 1, "held back": 1, "check overdue": 1, "minimum weight passed": 0} {
		if got := strings.Count(list, want); got != times {
			t.Errorf("the list says %q %d times, not %d:\n%s", want, got, times, list)
		}
	}
}
