package screens

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"weighpost/gateway/access"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// offered is what a page offers to do: the method and path of each form that asks the API, and the links.
type offered struct{ forms, links []string }

// offers reads a page. An id of a session, which differs each time, is left out.
func offers(t *testing.T, body string) (a offered) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		for _, attr := range n.Attr {
			switch {
			case n.Data == "form" && attr.Key == "data-send":
				a.forms = append(a.forms, attr.Val)
			case n.Data == "a" && attr.Key == "href":
				a.links = append(a.links, attr.Val)
			}
		}
	}
	return a
}

// memory is a journal as these pages ask for it: entries that a test gives, all of them at each question.
type memory struct {
	console.Entries
	list  []json.RawMessage
	asked []url.Values
	next  string
}

func (m *memory) ListEntries(_ context.Context, q url.Values) (console.EntryList, error) {
	m.asked = append(m.asked, q)
	return console.EntryList{Entries: m.list, Next: m.next}, nil
}

// TestNobodyIsOfferedWhatTheyMayNotDo: each default role × each page on people, what its forms ask for. The walk of the console
// shows that what is not offered is refused when forced.
func TestNobodyIsOfferedWhatTheyMayNotDo(t *testing.T) {
	b := openRegister(t)
	b.add(t, "boss", "Bo Berg", rights.IT)
	b.add(t, "p-07", "Cy Reed", rights.Operator)
	b.add(t, "ada", "Ada Quill", rights.IT)
	if _, err := b.AddBadge(t.Context(), owner(), "p-07", "B-0007", "new"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.MakeKey(t.Context(), owner(), rights.NewKey{ID: "lims", Name: "The lab system", Roles: []string{rights.Machine}}); err != nil {
		t.Fatal(err)
	}
	l := newLab(t, b.deps)
	own := []string{"PUT /api/v1/session/secret", "PUT /api/v1/people/ada/pin"}
	onPerson := []string{"PATCH /api/v1/people/p-07", "POST /api/v1/people/p-07/secret-reset", "PUT /api/v1/people/p-07/pin", "DELETE /api/v1/people/p-07/badges",
		"POST /api/v1/people/p-07/badges", "PATCH /api/v1/people/p-07"}
	all := map[string]map[string][]string{ // page, role: what is offered; a role that is not here may not see the page
		"/account": {rights.Operator: own, rights.Reviewer: own, rights.BalanceKeeper: own, rights.IT: own, rights.Auditor: own},
		"/people":  {rights.Reviewer: nil, rights.IT: nil, rights.Auditor: nil}, "/people/roles": {rights.Reviewer: nil, rights.IT: nil, rights.Auditor: nil},
		"/people/new":     {rights.IT: {"POST /api/v1/people"}},
		"/people/p-07":    {rights.Reviewer: nil, rights.Auditor: nil, rights.IT: onPerson},
		"/people/keys":    {rights.Reviewer: nil, rights.Auditor: nil, rights.IT: {"DELETE /api/v1/keys/lims", "POST /api/v1/keys"}},
		"/people/reviews": {rights.Reviewer: nil, rights.Auditor: nil, rights.IT: {"POST /api/v1/account-reviews"}},
	}
	for path, byRole := range all {
		for role := range rights.Defaults() {
			who := as(role)
			if role == rights.Machine {
				who.Person, who.Session = "", ""
			}
			want, may := byRole[role]
			status, body := l.get(t, path, who)
			if (status == http.StatusOK) != may {
				t.Errorf("%s as %s: status %d", path, role, status)
			}
			if status != http.StatusOK {
				continue
			}
			got := offers(t, body)
			if !slices.Equal(got.forms, want) {
				t.Errorf("%s as %s offers %q, want %q", path, role, got.forms, want)
			}
			if slices.Contains(got.links, "/people/new") != (path == "/people" && role == rights.IT) {
				t.Errorf("%s as %s: adding somebody is offered wrongly: %q", path, role, got.links)
			}
			if slices.Contains(got.links, "/settings/roles") != (path == "/people/roles" && role == rights.IT) {
				t.Errorf("%s as %s: changing roles is offered wrongly", path, role)
			}
		}
	}
	// Somebody with the right people alone administrates nothing else: they give no such role, and no one-time password to one who has it.
	who := as(rights.Auditor)
	who.Rights[rights.People] = true
	if _, body := l.get(t, "/people/boss", who); strings.Contains(body, "secret-reset") || !strings.Contains(body, `value="`+rights.IT+`" checked`) {
		t.Error("who has not the rights of another is offered to take over their account")
	}
	if _, body := l.get(t, "/people/new", who); !strings.Contains(body, `value="it" disabled`) || strings.Contains(body, `value="operator" disabled`) {
		t.Error("a role that cannot be given is offered, or one that can is not")
	}
	if _, body := l.get(t, "/people/ada", as(rights.IT)); strings.Contains(body, "secret-reset") || !strings.Contains(body, `value="reviewer" disabled`) {
		t.Error("somebody is offered to give themselves a right or a one-time password")
	}
}

// TestTheListOfPeopleStaysUsable with 500 of them: parts, a filter, and what was typed is text.
func TestTheListOfPeopleStaysUsable(t *testing.T) {
	b := openRegister(t)
	m := &memory{next: "more", list: []json.RawMessage{json.RawMessage(`{"by": {"id": "p-007"}, "stamp": {"utc": "2026-11-25T10:04:05Z"}}`)}}
	b.deps.Entries = m
	for i := range 500 {
		p := rights.NewPerson{ID: fmt.Sprintf("p-%03d", i), Name: fmt.Sprintf("Person %03d %s", i, "<i>"), Roles: []string{rights.Operator}}
		if _, err := b.AddPerson(t.Context(), owner(), p); err != nil {
			t.Fatal(err)
		}
	}
	l := newLab(t, b.deps)
	_, body := l.get(t, "/people", as(rights.Auditor))
	if n := strings.Count(body, `<a href="/people/p-`); n != peopleAtOnce || !strings.Contains(body, "500 accounts, here 1 to 100") || strings.Contains(body, "<i>") {
		t.Errorf("%d people: %.3000s", n, body)
	}
	if !strings.Contains(body, `datetime="2026-11-25T10:04:05Z"`) || !strings.Contains(body, "The latest 1 000 sign-ins") || m.asked[0].Get("kind") != "signed-in" {
		t.Error("it is not said who signed in when")
	}
	after := ""
	for _, link := range offers(t, body).links {
		if strings.Contains(link, "from=") {
			after = link
		}
	}
	if _, body := l.get(t, after, as(rights.Auditor)); !strings.Contains(body, "here 101 to 200") || !strings.Contains(body, "Person 100 ") {
		t.Errorf("%s does not go on", after)
	}
	if _, body := l.get(t, "/people?q=person+42&state=no+password+yet", as(rights.Auditor)); !strings.Contains(body, "10 of 500 accounts") {
		t.Errorf("the filter: %.300s", body)
	}
	if _, body := l.get(t, "/people?from=100000&q="+url.QueryEscape(hostileName), as(rights.Auditor)); !strings.Contains(body, "None of 500 accounts is as asked for") || strings.Contains(body, "<img") {
		t.Error("a filter that nobody meets")
	}
	for _, from := range []string{"-1", "0", "x", "99999999999999999999", "500"} {
		if status, _ := l.get(t, "/people?from="+from, as(rights.Auditor)); status != http.StatusOK {
			t.Errorf("from=%s: %d", from, status)
		}
	}
}

// TestEmptyPagesSayWhatToDoFirst.
func TestEmptyPagesSayWhatToDoFirst(t *testing.T) {
	l := newLab(t, openRegister(t).deps)
	for path, want := range map[string]string{"/people": "Add the first one", "/people/keys": "make it below", "/people/reviews": "Look over who has an account"} {
		if _, body := l.get(t, path, as(rights.IT)); !strings.Contains(body, `class="empty"`) || !strings.Contains(body, want) {
			t.Errorf("%s: %.3000s", path, body)
		}
	}
	if status, body := l.get(t, "/people/nobody", as(rights.IT)); status != http.StatusNotFound || !strings.Contains(body, "There is no such account") {
		t.Errorf("%d %s", status, body)
	}
}

// TestAnIdThatIsAPagesNameHasAPageOfItsOwn.
func TestAnIdThatIsAPagesNameHasAPageOfItsOwn(t *testing.T) {
	b := openRegister(t)
	for _, id := range []string{"new", "roles", "keys", "reviews", "a@b", "é"} {
		b.add(t, id, "The one called "+id, rights.Operator)
	}
	l := newLab(t, b.deps)
	_, list := l.get(t, "/people", as(rights.IT))
	for _, id := range []string{"new", "roles", "keys", "reviews", "a@b", "é"} {
		if path := personPath(id); !strings.Contains(list, `href="`+strings.ReplaceAll(path, "%C3%A9", "%C3%A9")+`"`) {
			t.Errorf("%s is not led to", path)
		}
		if status, body := l.get(t, personPath(id), as(rights.IT)); status != http.StatusOK || !strings.Contains(body, "<h1>The one called "+id+"</h1>") {
			t.Errorf("%s: %d", id, status)
		}
	}
}

// TestTheHistoryOfAnAccountIsToldInWords, old and new, with who, why, and nothing of it as markup.
func TestTheHistoryOfAnAccountIsToldInWords(t *testing.T) {
	b := openRegister(t)
	b.add(t, "p-07", "Cy Reed", rights.Operator)
	stamp := record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC)), Zone: "+00:00", Clock: record.ClockUnchecked}
	boss := record.Actor{ID: "boss", Name: "Bo <b>Berg", By: record.ActorPassword}
	before := record.Person{ID: "p-07", Name: "Cy Reed", Roles: []string{"operator"}, Source: "local"}
	after := before
	after.Name, after.Roles, after.Disabled, after.Badges = hostileName, []string{"auditor", "operator"}, true, []string{"B-0007"}
	m := &memory{}
	entries, err := b.log.Append(t.Context(),
		&record.PersonChanged{Person: "p-07", Change: "changed", Before: &before, After: after, Reason: "left " + hostileName, By: boss, Stamp: stamp},
		&record.SignedIn{Session: "s-1", By: record.Actor{ID: "p-07", Name: "Cy Reed", By: record.ActorBadgePIN}, Stamp: stamp},
		&record.SignedOut{Session: "s-1", Cause: "shift", By: record.Actor{ID: "p-07", By: record.ActorPassword}, Stamp: stamp},
		&record.SignInRefused{Login: "p-07", Person: "p-07", Why: "a wrong secret", Times: 1, Way: "password", Stamp: stamp})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		m.list = append(m.list, e.JSON)
	}
	b.deps.Entries = m
	_, body := newLab(t, b.deps).get(t, "/people/p-07", as(rights.IT))
	for _, want := range []string{"account changed", "by Bo &lt;b&gt;Berg", "Reason: left &lt;img", "<th scope=\"row\">roles</th><td>operator</td><td>auditor, operator</td>",
		"<th scope=\"row\">disabled</th><td>no</td><td>yes</td>", "<th scope=\"row\">badges</th><td>–</td><td>B-0007</td>", "signed in, with badge and PIN", "the shift ended",
		"not let in, 1 attempt: a wrong secret", fmt.Sprintf(`href="/happened/%d"`, entries[0].Seq)} {
		if !strings.Contains(body, want) {
			t.Errorf("the history does not hold %q", want)
		}
	}
	if strings.Contains(body, "<img") || strings.Contains(body, "<b>") {
		t.Error("words from outside are markup")
	}
	if q := m.asked[0]; q.Get("person") != "p-07" || q.Get("sort") != "-seq" || !slices.Contains(q["kind"], "person-changed") {
		t.Errorf("%v", q)
	}
}

// TestWhoHeldWhatOnADay: the day means its end, what is no day is told, and a right that is chosen leaves the others out.
func TestWhoHeldWhatOnADay(t *testing.T) {
	b := openRegister(t, func(c *access.Config) { c.Roles = map[string][]string{"weigher": {"see", "weigh"}} })
	b.add(t, "boss", "Bo Berg", rights.IT)
	b.add(t, "p-07", "Cy Reed", rights.Operator, "weigher")
	l := newLab(t, b.deps)
	today := time.Now().Format(time.DateOnly)
	_, body := l.get(t, "/people/roles?on="+today+"&right=weigh", as(rights.Auditor))
	if !strings.Contains(body, "Cy Reed") || strings.Contains(body, "Bo Berg") || !strings.Contains(body, "configured, 1 person") {
		t.Errorf("%.300s", body)
	}
	if _, body := l.get(t, "/people/roles?on=2020-01-01", as(rights.Auditor)); !strings.Contains(body, ": nobody") {
		t.Error("on a day before all accounts somebody held something")
	}
	for _, on := range []string{"2026-13-01", "x", hostileName, "99999-01-01"} {
		if status, body := l.get(t, "/people/roles?on="+url.QueryEscape(on), as(rights.Auditor)); status != http.StatusOK || !strings.Contains(body, "This is no day") || strings.Contains(body, "<img") {
			t.Errorf("%q: %d", on, status)
		}
	}
}

// TestAReviewSaysWhatIsDueAndWhatWasFound.
func TestAReviewSaysWhatIsDueAndWhatWasFound(t *testing.T) {
	b := openRegister(t)
	b.add(t, "boss", "Bo Berg", rights.IT)
	l := newLab(t, b.deps)
	if _, body := l.get(t, "/people/reviews", as(rights.Auditor)); !strings.Contains(body, "No interval is configured") {
		t.Errorf("%.2000s", body)
	}
	b.cfg.Review.Every = 90 * 24 * 3600e9
	if _, body := l.get(t, "/people/reviews", as(rights.Auditor)); !strings.Contains(body, "every 90 days") || !strings.Contains(body, "The next is due") {
		t.Errorf("%.2000s", body)
	}
	if _, err := b.ReviewAccounts(t.Context(), owner(), rights.AccountReview{Findings: "p-09 left\n" + hostileName, Changes: []string{"boss"}}); err != nil {
		t.Fatal(err)
	}
	_, body := l.get(t, "/people/reviews", as(rights.IT))
	if !strings.Contains(body, "looked over 1 account and 0 keys") || !strings.Contains(body, "To be changed: <code>boss</code>") || strings.Contains(body, "<img") || strings.Contains(body, `class="empty"`) {
		t.Errorf("%.300s", body)
	}
}

// TestEveryRightHasWords.
func TestEveryRightHasWords(t *testing.T) {
	for _, r := range rights.All() {
		if rightWords[r] == "" {
			t.Errorf("the right %s is not said in words", r)
		}
	}
	if len(rightWords) != len(rights.All()) {
		t.Error("words for a right that there is not")
	}
}
