package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// signsIn makes an account over the API, with a secret that its owner chose, and signs in.
func (h *house) signsIn(t *testing.T, id, role string) *visitor {
	t.Helper()
	h.ask(t, "POST", "people", fmt.Sprintf(`{"id": %q, "name": "Person %s", "roles": [%q], "secret": %q, "reason": "a test"}`, id, id, role, firstSecret+id), 200, nil)
	v := newVisitor(t, h.PageURL())
	for _, one := range [][3]string{{"POST", "session", fmt.Sprintf(`{"login": %q, "secret": %q}`, id, firstSecret+id)},
		{"PUT", "session/secret", fmt.Sprintf(`{"old": %q, "secret": %q}`, firstSecret+id, secondSecret+id)}} {
		if status, said := v.asks(one[0], one[1], one[2]); status != http.StatusOK {
			t.Fatalf("%s: %d %s", one[1], status, said)
		}
	}
	return v
}

// statement is what a visitor is shown.
func (v *visitor) statement(run, meaning string) (s console.Statement) {
	v.t.Helper()
	status, said := v.asks("GET", "runs/"+run+"/statement?meaning="+meaning, "")
	if err := json.Unmarshal([]byte(said), &s); status != http.StatusOK || err != nil {
		v.t.Fatalf("%d %s", status, said)
	}
	return s
}

// TestARunIsSignedThroughTheAPI: by a whole daemon: what was shown is signed, by id and secret; a guess is an entry and a condition at once; the host's
// token signs nothing; and the proof of the run verifies with no daemon and no journal.
func TestARunIsSignedThroughTheAPI(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "review: {sign_submit: true}\n")
	run := netRun(t, h, b)
	ada, cleo := h.signsIn(t, "ada", "operator"), h.signsIn(t, "cleo", "reviewer")
	act := func(v *visitor, act string, s console.Statement, login, with string) (int, string) {
		t.Helper()
		signing := fmt.Sprintf(`{"id": %q, "secret": %q, "statement_sha256": %q}`, login, with, s.SHA256)
		return v.asks("POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": %q, "seen": %d, "signing": %s}`, act, s.Last, signing))
	}
	var now console.ReviewView
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &now)
	h.ask(t, "POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": "submit", "seen": %d, "by": "ada", "signing": {"id": "ada", "secret": "x", "statement_sha256": "00"}}`, now.Last), 409, nil)
	performed := ada.statement(run, record.MeansPerformed)
	if !performed.Asks.Both || performed.Asks.Not != "" || !strings.Contains(performed.Text, "Signed by: Person ada\nRole: operator\n") {
		t.Errorf("%+v", performed)
	}
	if status, said := ada.asks("POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": "submit", "seen": %d}`, performed.Last)); status != http.StatusConflict || !strings.Contains(said, "This is signed") {
		t.Errorf("without a signature: %d %s", status, said)
	}
	if status, said := act(ada, "submit", performed, "ada", secondSecret+"ada"); status != http.StatusOK {
		t.Fatalf("%d %s", status, said)
	}
	reviewed := cleo.statement(run, record.MeansReviewed)
	for what, c := range map[string]struct {
		s           console.Statement
		login, with string
		status      int
	}{
		"a guess":                       {reviewed, "cleo", "not the secret", http.StatusUnauthorized},
		"the id of another":             {reviewed, "ada", secondSecret + "ada", http.StatusUnauthorized},
		"the secret alone, at first":    {reviewed, "", secondSecret + "cleo", http.StatusConflict},
		"a statement that was not hers": {console.Statement{SHA256: performed.SHA256, Last: reviewed.Last}, "cleo", secondSecret + "cleo", http.StatusConflict},
	} {
		if status, said := act(cleo, "approve", c.s, c.login, c.with); status != c.status {
			t.Errorf("%s: %d %s", what, status, said)
		}
	}
	raised := false
	for _, c := range h.Conditions() {
		raised = raised || c.Code == health.SignatureRefused && c.Subject == "cleo"
	}
	if !raised {
		t.Error("attempts that failed are no condition")
	}
	if status, said := act(cleo, "approve", reviewed, "cleo", secondSecret+"cleo"); status != http.StatusOK {
		t.Fatalf("%d %s", status, said)
	}
	if cleo.statement(run, record.MeansReviewed).Asks.Both {
		t.Error("after her signature both parts are asked for again")
	}
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &now)
	if now.State != record.RunApproved || len(now.Signatures) != 2 || !now.Signatures[1].InForce || now.Signatures[1].Name != "Person cleo" || now.Signatures[1].Statement != reviewed.Text {
		t.Errorf("%s, %+v", now.State, now.Signatures)
	}
	h.stop(t)
	if list := all[record.SignatureRefused](t, h, record.KindSignatureRefused); len(list) != 2 || list[0].By.ID != "cleo" || list[0].Run.ID != run {
		t.Errorf("%d attempts are entries", len(list))
	}
	covers := func(e record.Entry) (bool, error) { return signature.Covers(run, e) }
	p, err := journal.ProveRun(t.Context(), filepath.Join(h.dir, "journal"), run, covers, covers, journal.ProveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var texts [][]byte
	for _, e := range p.Entries {
		texts = append(texts, e.Entry)
	}
	if v, err := signature.Verify(run, texts); err != nil || !v.Holds() || len(v.Signatures) != 2 || !v.Signatures[0].InForce() || !v.Signatures[1].InForce() {
		t.Errorf("%v: %+v", err, v)
	}
	noneHolds(t, h.dir, []string{firstSecret, secondSecret})
}
