//go:build linux

package gateway_test

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// act says of a route that changes something what the test sends there, and which entry that leaves.
type act struct {
	body, query string
	kind        record.Kind
	// unnamed: the entry does not say by whom. A weighing that was asked for says by its trigger that it was, and by its context
	// who weighs.
	unnamed bool
	// follows: one more entry of the kind tells what became of it, and names the first.
	follows bool
	// notHere says why the act cannot be done in this test: it is only tried without the token.
	notHere string
}

const ofVisits = "a visit changes nothing before its last answer: TestABalanceIsAddedOverHTTP holds the entry of that"

const ofSessions = "it is of somebody who is signed in: TestEveryActOfASessionIsOneEntry holds its entry"

const ofDeliveries = "nothing is parked here: TestWhatIsDecidedAboutDeliveriesIsOneEntry holds its entry"

const ofChecks = "it takes a balance that is checked: TestABalanceIsCheckedThroughTheAPI and the tests beside it hold its entry"

const ofRequests = "it takes a procedure that is adopted: TestALabSystemFromRequestToResult (gateway/asked) holds its entries"

const ofReviews = "it takes a run that has ended: TestARunIsReviewedThroughTheAPI holds its entries"

const ofPauses = "no sink is paused or holds anything back here: TestPausesAndReleasesAreEntries holds its entry"

// acts has a row for every route of the API that is not for looking only.
var acts = map[string]act{
	"PUT /api/v1/balances/{id}/context":          {body: `{"sample": {"id": "LOT-1003"}}`, kind: record.KindContextChanged},
	"PATCH /api/v1/balances/{id}/context":        {body: `{"lot": {"id": "1003"}}`, kind: record.KindContextChanged},
	"DELETE /api/v1/balances/{id}/context":       {kind: record.KindContextChanged},
	"POST /api/v1/balances/{id}/scan":            {body: `{"raw": "LOT-1004"}`, kind: record.KindContextChanged},
	"POST /api/v1/balances/{id}/port/try":        {notHere: "it changes nothing: TestAPortIsTriedAtOnce shows what it does, and when the port opens that is an entry"},
	"POST /api/v1/balances/{id}/steps/{step}":    {body: `{"how": "key"}`, kind: record.KindContextChanged},
	"POST /api/v1/samples":                       {body: `{"id": "LOT-1006", "lot": "1006"}`, kind: record.KindSampleAnnounced},
	"DELETE /api/v1/samples/{sample}":            {kind: record.KindSampleAnnounced},
	"POST /api/v1/balances/{id}/read":            {body: `{"record": true}`, kind: record.KindWeighing, unnamed: true},
	"POST /api/v1/balances/{id}/commands/{name}": {body: `{}`, kind: record.KindCommand, follows: true},
	"POST /api/v1/backups":                       {body: `{"by": "ada"}`, kind: record.KindBackup},
	"POST /api/v1/backups/verified": {body: `{"name": "weighpost-seed-bank-7qx3a-20261129t023000z.tar", "where": "/srv/backups", "outcome": "good", "by": "ada"}`,
		kind: record.KindBackup},
	"POST /api/v1/trail/reviews":                   {body: `{"by": "ada", "findings": "Nothing unusual."}`, kind: record.KindTrailReviewed},
	"POST /api/v1/journal/seal":                    {body: `{"by": "ada"}`, notHere: "nothing is old enough to be sealed in this journal: the tests of sealing hold its entry"},
	"POST /api/v1/journal/clock-corrections":       {body: `{"from": 1, "to": 2, "offset_s": "1.5", "bound_s": 0.5, "reason": "a test", "by": "ada"}`, kind: record.KindClockCorrected},
	"PATCH /api/v1/settings":                       {body: `{"change": {"clock": {"ceiling": "1s"}}, "reason": "a test", "by": "ada"}`, kind: record.KindConfigured},
	"PUT /api/v1/settings/balances/{id}":           {body: `{"settings": SELF, "reason": "a test", "by": "ada"}`, kind: record.KindConfigured},
	"DELETE /api/v1/settings/balances/{id}":        {notHere: "the other acts need the balance: TestABalanceIsTakenAway holds its entry"},
	"PUT /api/v1/settings/sinks/{id}":              {body: `{"settings": {"kind": "http", "url": "http://127.0.0.1:9/"}, "reason": "a test", "by": "ada"}`, kind: record.KindConfigured},
	"DELETE /api/v1/settings/sinks/{id}":           {notHere: "there is none yet when its turn comes: TestABalanceIsTakenAway holds its entry"},
	"PUT /api/v1/settings/checks/{id}":             {body: `{"settings": {"use": "corners"}, "reason": "a test", "by": "ada"}`, kind: record.KindConfigured},
	"DELETE /api/v1/settings/checks/{id}":          {notHere: "there is none yet when its turn comes: TestAChecksFormsAreFilledInABrowser holds its entry"},
	"POST /api/v1/settings/pending/{id}/adopt":     {body: `{"reason": "a test", "by": "ada"}`, notHere: "nothing waits here: the tests of settings hold its entries"},
	"POST /api/v1/settings/pending/{id}/turn-down": {body: `{"reason": "a test", "by": "ada"}`, notHere: "nothing waits here: the tests of settings hold its entries"},
	"POST /api/v1/deliveries/{sink}/retry":         {body: `{"all": true, "by": "ada"}`, notHere: ofDeliveries},
	"POST /api/v1/deliveries/{sink}/drop":          {body: `{"all": true, "by": "ada"}`, notHere: ofDeliveries},
	"POST /api/v1/deliveries/{sink}/try-now":       {body: `{"by": "ada"}`, notHere: ofDeliveries},
	"POST /api/v1/deliveries/{sink}/pause":         {body: `{"reason": "a test", "by": "ada"}`, notHere: ofPauses},
	"POST /api/v1/deliveries/{sink}/continue":      {body: `{"by": "ada"}`, notHere: ofPauses},
	"POST /api/v1/deliveries/release":              {body: `{"entries": [1], "reason": "a test", "by": "ada"}`, notHere: ofPauses},
	"POST /api/v1/journal/keys":                    {body: `{"reason": "a test", "by": "ada"}`, kind: record.KindKeyRotated},
	"POST /api/v1/people":                          {body: `{"id": "p-07", "name": "Ada Quill", "roles": ["operator"], "reason": "a test"}`, kind: record.KindPersonChanged},
	"PATCH /api/v1/people/{id}":                    {body: `{"name": "Ada B. Quill", "reason": "a test"}`, kind: record.KindPersonChanged},
	"POST /api/v1/people/{id}/secret-reset":        {body: `{"reason": "a test"}`, kind: record.KindPersonChanged},
	"PUT /api/v1/people/{id}/pin":                  {body: `{"pin": "493817", "reason": "a test"}`, kind: record.KindPersonChanged},
	"POST /api/v1/people/{id}/badges":              {body: `{"code": "0047", "reason": "a test"}`, kind: record.KindPersonChanged},
	"DELETE /api/v1/people/{id}/badges":            {query: "?code=0047&reason=a+test", kind: record.KindPersonChanged},
	"POST /api/v1/keys":                            {body: `{"id": "lims", "name": "the lab system", "roles": ["machine"], "reason": "a test"}`, kind: record.KindAPIKeyChanged},
	"DELETE /api/v1/keys/{id}":                     {query: "?reason=a+test", kind: record.KindAPIKeyChanged},
	"POST /api/v1/account-reviews":                 {body: `{"at": 1, "findings": "Nothing unusual."}`, kind: record.KindAccountsReviewed},

	"POST /api/v1/balances/{id}/check":                  {body: `{"check": "daily", "weights": [], "by": "ada"}`, notHere: ofChecks},
	"POST /api/v1/balances/{id}/check/act":              {body: `{"answer": "yes", "by": "ada"}`, notHere: ofChecks},
	"POST /api/v1/balances/{id}/out-of-service":         {body: `{"reason": "a test", "by": "ada"}`, kind: record.KindFitnessChanged},
	"POST /api/v1/balances/{id}/in-service":             {body: `{"reason": "a test", "by": "ada"}`, notHere: ofChecks},
	"POST /api/v1/balances/{id}/upkeep":                 {body: `{"act": "move", "place": "room 2", "by": "ada"}`, kind: record.KindUpkeep},
	"POST /api/v1/balances/{id}/failures/{check}/judge": {body: `{"effect": "no effect", "reason": "a test", "by": "ada"}`, notHere: ofChecks},
	"POST /api/v1/balances/{id}/failures/{check}/close": {body: `{"reason": "a test", "by": "ada"}`, notHere: ofChecks},
	"PUT /api/v1/reference-weights/{weight}":            {body: `{"nominal": "100 g", "class": "F1", "by": "ada"}`, kind: record.KindWeightChanged},
	"PUT /api/v1/reference-weights/{weight}/file":       {body: `{}`, notHere: "its body is a file: TestACertificateIsKeptBesideTheJournal holds its entry"},
	"DELETE /api/v1/reference-weights/{weight}":         {query: "?reason=lost&by=ada", kind: record.KindWeightChanged},

	"POST /api/v1/containers":                      {body: `{"containers": [{"id": "cr-1", "sort": "crucible"}], "by": "ada"}`, kind: record.KindContainerChanged},
	"POST /api/v1/containers/{container}/withdraw": {body: `{"reason": "cracked", "by": "ada"}`, kind: record.KindContainerChanged},
	"POST /api/v1/reports":                         {body: `{"of": "trail", "about": "1-3", "by": "ada"}`, kind: record.KindReportIssued},
	"POST /api/v1/slip-pictures":                   {notHere: "it leaves nothing until a slip names the picture: TestASlipIsTypedInWithItsPicture shows that"},
	"POST /api/v1/slips": {body: `{"balance": "b-1", "digits": "12.3450", "unit": "g", "weighed": "` + time.Now().Add(-time.Hour).UTC().Format(time.RFC3339) + `", "reason": "a test", "by": "ada"}`,
		kind: record.KindLateEntered},
	"POST /api/v1/slips/{site}/{incarnation}/{balance}/{number}/decide": {body: `{"confirmed": true, "by": "ben"}`, notHere: "it takes a slip: TestASlipIsTypedInWithItsPicture holds its entry"},
	"POST /api/v1/requests":                         {body: `{"id": "R-1", "from": "lims", "procedure": "p"}`, notHere: ofRequests},
	"PATCH /api/v1/requests/{from}/{request}":       {body: `{"priority": 1, "reason": "a test"}`, notHere: ofRequests},
	"POST /api/v1/requests/{from}/{request}/cancel": {body: `{"reason": "a test", "by": "ada"}`, notHere: ofRequests},

	"POST /api/v1/procedures":                                       {body: `{"text": ` + asJSON(netMass) + `, "reason": "a test", "by": "ben"}`, kind: record.KindProcedureChanged},
	"POST /api/v1/procedures/judge":                                 {body: `{"text": "procedure: x"}`, notHere: "it changes nothing: it finds mistakes"},
	"POST /api/v1/procedures/{procedure}/versions/{version}/decide": {body: `{"change": "adopted", "reason": "a test", "by": "ada"}`, kind: record.KindProcedureChanged},
	"POST /api/v1/runs":                                             {body: `{"procedure": "net", "by": "ada"}`, kind: record.KindRunBegun},
	"POST /api/v1/runs/{run}/act":                                   {body: `{"done": true, "by": "ada"}`, notHere: "the id of the run is known only once it has begun: TestARunIsWorkedWithKeysAndCards and those beside it hold its entries"},
	"POST /api/v1/runs/{run}/review":                                {body: `{"act": "look", "seen": 1, "by": "ada"}`, notHere: ofReviews},
	"POST /api/v1/runs/{run}/review/provider":                       {body: `{"act": "submit", "seen": 1, "statement_sha256": "` + strings.Repeat("0", 64) + `"}`, notHere: "it records nothing before its person is back from the provider"},
	"POST /api/v1/runs/{run}/corrections":                           {body: `{"change": "exclude", "of": "x", "reason": "spilt", "comment": "x", "seen": 1, "by": "ada"}`, notHere: ofReviews},
	"POST /api/v1/reviews/together":                                 {body: `{"runs": [{"run": "r-1", "seen": 1, "statement_sha256": "00"}], "signing": {"secret": "x"}, "by": "ada"}`, notHere: ofReviews},

	"PUT /api/v1/environment/{place}": {body: `{"instrument": "meter-3", "temperature": {"digits": "21.3", "unit": "Cel"}}`,
		notHere: "it is kept in memory: TestAStepTakesWhatAnInstrumentSent shows that it leaves an entry only where a run takes it"},

	"POST /api/v1/setup/visits":             {body: `{"by": "ada"}`, notHere: ofVisits},
	"POST /api/v1/setup/visits/{id}/answer": {body: `{"question": 1, "answer": "yes", "by": "ada"}`, notHere: ofVisits},
	"DELETE /api/v1/setup/visits/{id}":      {notHere: ofVisits},

	"DELETE /api/v1/people/{id}/sessions":           {notHere: ofSessions},
	"DELETE /api/v1/people/{id}/sessions/{session}": {notHere: ofSessions},
	"PUT /api/v1/session/secret":                    {notHere: ofSessions, body: `{"old": "x", "secret": "y"}`},
	"DELETE /api/v1/session/everywhere":             {notHere: ofSessions},
	"DELETE /api/v1/session/others":                 {notHere: ofSessions},
	"POST /api/v1/session":                          {notHere: ofSessions},
	"DELETE /api/v1/session":                        {notHere: ofSessions},
	"POST /api/v1/session/badge":                    {notHere: ofSessions},
	"POST /api/v1/set-up":                           {notHere: ofSessions},
}

// routes are those of the running daemon's own description, in the order in which they can be walked; and those of them that need no right.
func (h *house) routes(t *testing.T) (list, needless []string) {
	t.Helper()
	resp, err := http.Get(h.PageURL() + "api/v1/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var doc struct {
		Paths map[string]map[string]json.RawMessage `json:"paths"`
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, 4<<20)).Decode(&doc); err != nil {
		t.Fatal(err)
	}
	for path, item := range doc.Paths {
		for method, raw := range item {
			var op struct {
				Right string `json:"x-right"`
			}
			if err := json.Unmarshal(raw, &op); err != nil {
				t.Fatal(err)
			}
			if op.Right == "everybody" {
				needless = append(needless, strings.ToUpper(method)+" "+path)
			}
			if m := strings.ToUpper(method); slices.Contains([]string{"PUT", "PATCH", "POST", "DELETE"}, m) {
				list = append(list, m+" "+path)
			}
		}
	}
	slices.Sort(list)
	slices.SortStableFunc(list, func(a, b string) int { // what is changed or deleted was made before
		return strings.Index("POST PUT PATCH DELETE", strings.Fields(a)[0]) - strings.Index("POST PUT PATCH DELETE", strings.Fields(b)[0])
	})
	if len(list) < 5 {
		t.Fatalf("only %v change anything: the walk is wrong", list)
	}
	return list, needless
}

// deedEntry is what every entry of an act says.
type deedEntry struct {
	record.Entry `json:"-"`
	By           *record.Actor
	Stamp        record.Stamp
	Why          string
	What         string
	Times        uint64
	Asked        string
	Cause        string
}

// since are the entries of the journal after a sequence, but for those that tell of the daemon's own life.
func (h *house) since(t *testing.T, after uint64) (list []deedEntry, head uint64) {
	t.Helper()
	head = after
	err := journal.Scan(t.Context(), filepath.Join(h.dir, "journal"), after, func(e record.Entry) error {
		head = e.Seq
		if slices.Contains([]record.Kind{record.KindPortUp, record.KindPortDown, record.KindClockChanged, record.KindStart, record.KindStop}, e.Kind) {
			return nil
		}
		one := deedEntry{Entry: e}
		if err := json.Unmarshal(e.JSON, &one); err != nil {
			return err
		}
		if e.Kind == record.KindConfigured && one.By != nil && one.By.By == record.ActorHost {
			return nil
		}
		byItself := one.By != nil && (one.By.By == record.ActorSchedule || one.By.By == record.ActorSoftware)
		if one.Cause != "expired" && !byItself {
			list = append(list, one)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list, head
}

func (h *house) try(t *testing.T, route, token, body string) (int, string) {
	t.Helper()
	method, path, _ := strings.Cut(route, " ")
	id := "b-1"
	switch {
	case strings.HasPrefix(path, "/api/v1/people/"):
		id = "p-07"
	case strings.HasPrefix(path, "/api/v1/keys/"):
		id = "lims"
	}
	path = strings.NewReplacer("{id}", id, "{name}", "tare", "{step}", "next", "{session}", "none", "{sample}", "LOT-1005", "{check}", "c000001", "{weight}", "f1-100", "{container}", "cr-1", "{procedure}", "net", "{version}", "1", "{run}", "r-none").Replace(strings.TrimPrefix(path, "/"))
	if strings.Contains(body, "SELF") { // the balance as it is, but for its place
		doc, _ := h.Settings()
		self := doc["balances"].([]any)[0].(map[string]any)
		self["place"] = "elsewhere"
		b, err := json.Marshal(self)
		if err != nil {
			t.Fatal(err)
		}
		body = strings.Replace(body, "SELF", string(b), 1)
	}
	status, answer := request(t, h.Gateway, method, path, token, body)
	return status, string(answer)
}

// TestEveryActIsOneEntry walks every route that changes something, with the token and without: what was done is one entry that
// says what, when, by whom as far as that is known, and from where; what was refused is counted in entries of its own, and
// changes nothing.
func TestEveryActIsOneEntry(t *testing.T) {
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	backups := t.TempDir()
	h.start(t, asked+"backup: {folder: "+backups+"}\n")
	defer http.DefaultClient.CloseIdleConnections()
	until(t, func() (made bool) { // the one at the start, so that none is being made when one is asked for
		_ = journal.Scan(t.Context(), filepath.Join(h.dir, "journal"), 0, func(e record.Entry) error {
			made = made || e.Kind == record.KindBackup
			return nil
		})
		return made
	}, "no backup is made")
	until(t, func() bool { // and what follows it is done
		status, _ := h.try(t, "GET /api/v1/backups", "", "")
		return status == http.StatusOK
	}, "the backups are not listed")
	time.Sleep(300 * time.Millisecond)
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	routes, needless := h.routes(t)
	if status, answer := h.try(t, "POST /api/v1/samples", token, `{"id": "LOT-1005"}`); status != http.StatusOK { // to be ended
		t.Fatalf("%d %s", status, answer)
	}
	_, head := h.since(t, 0)
	for _, route := range routes {
		a, ok := acts[route]
		if !ok {
			t.Errorf("%s has no row in the table acts of this test: say which body it takes and which one entry it leaves", route)
			continue
		}
		if a.notHere != "" {
			t.Logf("%s: %s", route, a.notHere)
			continue
		}
		if status, answer := h.try(t, route+a.query, token, a.body); status >= 300 {
			t.Errorf("%s: %d %s", route, status, answer)
			continue
		}
		var list []deedEntry
		before := head
		until(t, func() bool {
			list, head = h.since(t, before)
			return len(list) > 0 && (!a.follows || len(list) > 1)
		}, route+" leaves no entry")
		h.judge(t, route, a, list)
	}

	// Refused for want of a token: nothing but entries that count them.
	routes = slices.DeleteFunc(routes, func(route string) bool { return slices.Contains(needless, route) })
	for i, route := range routes {
		wrong := ""
		if i%2 == 1 {
			wrong = "not-" + token
		}
		if status, _ := h.try(t, route, wrong, acts[route].body); status != http.StatusUnauthorized && status != http.StatusTooManyRequests {
			t.Errorf("%s without the token: %d", route, status)
		}
	}
	until(t, func() bool { list, _ := h.since(t, head); return len(list) == 1 }, "the first refused act is no entry")
	// Refused as an act: there is no such balance. Whoever has the token is told of too.
	if status, _ := h.try(t, "PUT /api/v1/balances/b-9/context", token, `{"sample": {"id": "x"}}`); status != http.StatusNotFound {
		t.Errorf("a balance that there is not: %d", status)
	}
	h.stop(t)
	list, _ := h.since(t, head)
	times := uint64(0)
	for _, e := range list {
		if e.Kind != record.KindRefused || e.What == "" || e.Why == "" || e.By == nil || e.By.Where != "http 127.0.0.1" || e.Times == 0 {
			t.Errorf("%s", e.JSON)
		}
		times += e.Times
	}
	if want := uint64(len(routes) + 1); times != want || len(list) != 2 {
		t.Errorf("%d attempts are told by %d entries, want %d by 2: the first and, once a minute or at the end, the rest", times, len(list), want)
	}
	if last := list[len(list)-1]; last.By.By != record.ActorToken || !strings.Contains(last.Why, "There is no such balance") {
		t.Errorf("%s", last.JSON)
	}
}

// judge holds the entries that an act left against what they have to say.
func (h *house) judge(t *testing.T, route string, a act, list []deedEntry) {
	t.Helper()
	want := 1
	if a.follows {
		want = 2
	}
	if len(list) != want {
		t.Errorf("%s left %d entries, want %d", route, len(list), want)
		for _, e := range list {
			t.Logf("%s", e.JSON)
		}
		return
	}
	e := list[0]
	if e.Kind != a.kind || e.Stamp.UTC.Time().IsZero() || time.Since(e.Stamp.UTC.Time()) > time.Minute {
		t.Errorf("%s left %s", route, e.JSON)
	}
	if !a.unnamed && (e.By == nil || e.By.By != record.ActorToken || e.By.Where != "http 127.0.0.1") {
		t.Errorf("%s: the entry does not say by whom: %s", route, e.JSON)
	}
	if a.follows && list[1].Asked != e.ID {
		t.Errorf("%s: the second entry does not name the first: %s", route, list[1].JSON)
	}
}
