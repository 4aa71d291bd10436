package screens

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestEveryKindIsInOneGroup: a new kind of entry cannot be missing from what can be asked for.
func TestEveryKindIsInOneGroup(t *testing.T) {
	in := map[record.Kind]int{}
	for _, g := range kindGroups {
		for _, k := range g.kinds {
			in[k]++
		}
		if slices.Contains(record.Kinds(), record.Kind(g.Name)) || g.Name == everything {
			t.Errorf("the group %s has the name of something else", g.Name)
		}
	}
	for _, k := range record.Kinds() {
		if in[k] != 1 {
			t.Errorf("the kind %s is in %d groups of what can be asked for under /happened: put it into one of kindGroups", k, in[k])
		}
	}
}

// trail is a journal with acts.
func trail(t *testing.T) *drawer {
	s := &drawer{}
	s.add(t, record.KindStart, "", `"software":{"version":"test"},`+stampAt(1, "checked"))
	s.weighing(t, "b-12", "1.5", "LOT-1", 2)
	s.add(t, record.KindContextChanged, "b-12", `"cause":"set","before":{"sample":null},"after":{"sample":{"id":"LOT-2"}},"by":{"id":"ada","name":"Ada Quill","by":"badge"},`+stampAt(3, "checked"))
	s.add(t, record.KindPersonChanged, "", `"person":"p-07","change":"changed","before":{"id":"p-07","name":"Ada","roles":["operator"]},"after":{"id":"p-07","name":"Ada Quill","roles":["operator"]},"reason":"married","by":{"id":"root","by":"host"},`+stampAt(4, "checked"))
	s.add(t, record.KindClockChanged, "", `"from":"checked","state":"holdover","why":"No server answers.",`+stampAt(5, "holdover"))
	s.add(t, record.KindPortDown, "b-13", `"why":"It is not there.","port":"/dev/ttyUSB1",`+stampAt(6, "holdover"))
	return s
}

// TestWhatHappenedIsToldInWords: a line each, with who, when, why, and the old value beside the new one.
func TestWhatHappenedIsToldInWords(t *testing.T) {
	l := drawerLab(t, trail(t))
	for query, want := range map[string]int{"": 5, "kind=all": 6, "kind=people": 2, "kind=port-down": 1, "kind=port-down,start": 2, "balance=b-13": 1, "person=ada": 1, "text=married": 1,
		"kind=weighings": 1, "from=2026-11-26": 0, "kind=all&clock=holdover": 2} {
		body := l.fetch(t, "/happened?"+query, as(""))
		if got := max(0, len(elements(t, body, "tr"))-1); got != want {
			t.Errorf("%s: %d entries, not %d", query, got, want)
		}
	}
	body := l.fetch(t, "/happened", as(""))
	text := mainText(t, body)
	for _, want := range []string{"context changed set sample none → becomes LOT-2 b-12 Ada Quill", "account changed changed, p-07, married name Ada → becomes Ada Quill – root",
		"clock changed No server answers. clock checked → becomes holdover", "port lost It is not there., /dev/ttyUSB1 b-13", "5 entries · all but weighings and results · newest first"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q: %s", want, text)
		}
	}
	if text := mainText(t, l.fetch(t, "/happened?kind=nonsense", as(""))); !strings.Contains(text, "there is no such kind of entry") {
		t.Error(text)
	}
	text = mainText(t, l.fetch(t, "/happened/4", as("")))
	for _, want := range []string{"account changed", "married", "root", "What changed", "Ada Quill", "10:04:05.123456 +00:00 ± 0.021 s", `"reason":"married"`, "leaf 3, counted from 0"} {
		if !strings.Contains(strings.ReplaceAll(text, time.Now().Format("-07:00"), "+00:00"), want) && !strings.Contains(want, "10:04") {
			t.Errorf("it does not say %q", want)
		}
	}
	for _, bad := range []string{"/happened/0", "/happened/7", "/happened/x", "/happened/99999999999999999999", "/happened/-1"} {
		if status, _ := l.get(t, bad, as("")); status != 404 {
			t.Errorf("%s: %d", bad, status)
		}
	}
}

// TestReviewsSayWhatIsNew since the last one of everything; a review of something else changes nothing.
func TestReviewsSayWhatIsNew(t *testing.T) {
	s := trail(t)
	l := drawerLab(t, s)
	if text := mainText(t, l.fetch(t, "/happened/reviews", as(rights.Reviewer))); !strings.Contains(text, "6 entries since the journal began") || !strings.Contains(text, "No review was noted yet. Look over") {
		t.Error(text)
	}
	s.add(t, record.KindTrailReviewed, "", `"from":1,"to":4,"findings":"nothing unusual","reason":"monthly","by":{"id":"ada","name":"Ada Quill","by":"password"},`+stampAt(8, "checked"))
	s.add(t, record.KindTrailReviewed, "", `"from":1,"to":6,"filter":"entries with kind start","query":"kind=start","findings":"x","by":{"id":"ada","by":"password"},`+stampAt(9, "checked"))
	l = drawerLab(t, s)
	body := l.fetch(t, "/happened/reviews", as(rights.Reviewer))
	text := mainText(t, body)
	for _, want := range []string{"4 entries since the last review of everything", "Ada Quill 1 to 4 everything nothing unusual monthly", "1 to 6 entries with kind start"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q: %s", want, text)
		}
	}
	if to := elements(t, body, "input", "name=to"); len(to) != 1 || attribute(to[0], "value") != "8" {
		t.Error("the last entry is not what a review goes up to")
	}
	if got := len(elements(t, l.fetch(t, "/happened?kind=all&since=review", as("")), "tr")) - 1; got != 4 {
		t.Errorf("%d entries are new since the review, not 4", got)
	}
	for _, f := range new(reviewsPage).Filters() {
		q, err := url.ParseQuery(f.Value)
		if _, lerr := s.ListEntries(t.Context(), q); err != nil || lerr != nil {
			t.Errorf("%s cannot be reviewed: %v %v", f.Value, err, lerr)
		}
	}
}

// cellar has backups.
type cellar struct{ view record.BackupView }

func (c cellar) MakeBackup(context.Context, record.BackupRequest) (record.BackupAnswer, error) {
	return record.BackupAnswer{}, nil
}
func (c cellar) NoteVerified(context.Context, *record.Backup) (string, error) { return "", nil }
func (c cellar) ListBackups(context.Context) record.BackupView                { return c.view }

// TestBackupsSayWhetherTheyWereReadBack and offer to make one to whom that is permitted.
func TestBackupsSayWhetherTheyWereReadBack(t *testing.T) {
	s := &drawer{}
	for i, outcome := range []string{"good", "failed"} {
		s.add(t, record.KindBackup, "", fmt.Sprintf(`"action":"verified","outcome":%q,"name":"b-%d","where":"/srv","why":"<b>","by":{"id":"backup","by":"schedule"},%s`, outcome, i, stampAt(i, "checked")))
	}
	at := record.UTC(time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC))
	c := cellar{record.BackupView{Configured: true, Overdue: true, Trouble: []string{"sink <b> cannot be looked at"}, Kept: []record.BackupKept{
		{Where: "/srv", Name: "b-0", Size: 12345, Made: at}, {Where: "/srv", Name: "b-1", Made: at}, {Where: "/srv", Name: "b-2<b>", Made: at}}}}
	l := newLab(t, Deps{Entries: s, Backups: c})
	for _, role := range []string{rights.IT, rights.Auditor} {
		body := l.fetch(t, "/backups", as(role))
		var got []string
		for _, tr := range elements(t, body, "tr")[1:] {
			got = append(got, said(tr))
		}
		all := strings.Join(got, "\n")
		if len(got) != 3 || !strings.Contains(all, "b-0 12 345 good") || !strings.Contains(all, "b-1 0 no good") || !strings.Contains(all, "b-2<b> 0 not that is known") ||
			!strings.Contains(mainText(t, body), "overdue") || !strings.Contains(mainText(t, body), "sink <b> cannot be looked at") {
			t.Errorf("%s", mainText(t, body))
		}
		if offered := strings.Contains(body, "POST /api/v1/backups"); offered != (as(role).May(rights.Backup) == nil) {
			t.Errorf("%s: a backup is offered: %v", role, offered)
		}
	}
	if text := mainText(t, newLab(t, Deps{Backups: cellar{}}).fetch(t, "/backups", as(rights.IT))); !strings.Contains(text, "No place for backups is named") {
		t.Error(text)
	}
}

// cupboard has samples.
type cupboard struct {
	list  []record.KnownSample
	ready bool
}

func (c cupboard) Announce(context.Context, []record.Sample, string, record.Actor) (record.SamplesTaken, error) {
	return record.SamplesTaken{}, nil
}
func (c cupboard) End(context.Context, string, string, record.Actor) (record.KnownSample, error) {
	return record.KnownSample{}, nil
}
func (c cupboard) Sample(string) (record.KnownSample, bool, bool) {
	return record.KnownSample{}, false, c.ready
}
func (c cupboard) List(prefix, after string, limit int) (list []record.KnownSample, more, ready bool) {
	for _, s := range c.list {
		if strings.HasPrefix(s.ID, prefix) && s.ID > after {
			list = append(list, s)
		}
	}
	return list[:min(limit, len(list))], len(list) > limit, c.ready
}

// TestSamplesAreListedPageByPage, with what they bring along, and ended only by whom that is permitted to.
func TestSamplesAreListedPageByPage(t *testing.T) {
	past := record.UTC(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC))
	c := cupboard{ready: true}
	for i := range 150 {
		c.list = append(c.list, record.KnownSample{Sample: record.Sample{ID: fmt.Sprintf("LOT-%03d", i)}})
	}
	c.list[0].Lot, c.list[0].Fields, c.list[0].Expires = "2026/07", map[string]string{"store-room": "<b>2"}, &past
	c.list[1].ID = "LOT-001/<b>?x"
	l := newLab(t, Deps{Samples: c})
	body := l.fetch(t, "/samples", as(rights.BalanceKeeper))
	if text := mainText(t, body); !strings.Contains(text, "lot 2026/07") || !strings.Contains(text, "store room <b>2") || !strings.Contains(text, "over") || len(elements(t, body, "b")) > 0 {
		t.Error(text)
	}
	ends := elements(t, body, "form", "class=form end")
	if len(ends) != 100 || attribute(ends[1], "data-send") != "DELETE /api/v1/samples/LOT-001%2F%3Cb%3E%3Fx" {
		t.Errorf("%d samples can be ended", len(ends))
	}
	if second := l.fetch(t, leadsTo(t, body, "next"), as("")); len(elements(t, second, "tr")) != 51 || strings.Contains(second, "data-send") {
		t.Error("the second page is not what follows, or offers what is not permitted")
	}
	if text := mainText(t, l.fetch(t, "/samples?begin=LOT-14", as(""))); !strings.Contains(text, "LOT-149") || strings.Contains(text, "LOT-139") {
		t.Error(text)
	}
	if text := mainText(t, newLab(t, Deps{Samples: cupboard{}}).fetch(t, "/samples", as(""))); !strings.Contains(text, "still being read") {
		t.Error(text)
	}
	if text := mainText(t, newLab(t, Deps{Samples: cupboard{ready: true}}).fetch(t, "/samples", as(""))); !strings.Contains(text, "scan or type them at the balance") {
		t.Error(text)
	}
}
