package guidedruns

import (
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// reviewed: the run of thousandSeeds goes on to its signature. Ida excludes the ninth replicate, submits the run, and Rhea returns it once and then
// approves it, after a secret that was wrong. The results without that replicate were worked out beside weighpost, by Python's statistics: of the
// fifteen that are left the first is still further than twice the standard deviation from the mean, and 0.2119571 g is the mean of the others; the
// coefficient of variation of the fifteen is 3.81 %.
func reviewed(s *seat) {
	s.run = s.l.seeds
	ninth := s.weighed("0.2224")
	page, corrected := "runs/"+s.run+"/review", func() int { return len(all[record.RunCorrected](s.l, record.KindRunCorrected)) }
	s.is("ida")
	s.Visit("runs/" + s.run + "/record")
	s.Sends(`a[href="/` + page + `"]`)
	s.Shows(".outcome", "complete, not submitted")
	s.shoot("review-complete")
	s.Click("details.correct:has(#reason-" + ninth + ") > summary")
	s.Choose("#reason-"+ninth, "spilt")
	s.Fill("#comment-"+ninth, "two seeds lay beside the dish")
	s.Sends("form:has(#reason-" + ninth + ") button")
	s.Shows("#results-title", "before and after what was corrected")
	s.Shows(".results", "0.21265 g", "0.21196 g", "2.127 g", "2.120 g", "3.80 %", "3.81 %")
	s.Shows(".weighings li.out", "0.2224 g", "EXCLUDED", "two seeds lay beside the dish")
	s.Sends("#act-submit button")
	s.Shows(".outcome", "in review")
	s.Shows(".why-not", "somebody else reviews it")
	s.Lacks("#act-approve")
	s.is("rhea")
	s.Visit("reviews")
	s.Shows("#mine-title", "What waits for you (1)")
	s.shoot("reviews")
	s.Sends(`td.when a[href="/` + page + `"]`)
	s.Sends(`form:has([value="look"]) button`)
	s.Shows("#trail-title + p", "Nothing is new since you looked last")
	s.shoot("review-in-review")
	s.Click("#act-return > summary")
	s.Fill("#act-return-why", "say which scoop was used")
	s.Sends("#act-return form button")
	s.Shows(".outcome", "returned")
	s.is("ida")
	s.Visit(page)
	s.Shows(".acts-done", "Rhea Sower", "returned it", "say which scoop was used")
	s.Sends("#act-submit button")
	s.signs(page)
	if n := corrected(); n != 1 {
		s.T.Errorf("the run was corrected %d times", n)
	}
}

// weighed is the place in the journal of the weighing of the run with these digits.
func (s *seat) weighed(digits string) string {
	s.T.Helper()
	for _, w := range all[record.Weighing](s.l, record.KindWeighing) {
		if w.Value.Digits == digits && w.Context.Run != nil && w.Context.Run.ID == s.run {
			return strconv.FormatUint(w.Seq, 10)
		}
	}
	s.T.Fatalf("nothing of %s weighed %s", s.run, digits)
	return ""
}

// signs has Rhea sign: first with a wrong secret, which is an entry at once.
func (s *seat) signs(page string) {
	s.T.Helper()
	s.is("rhea")
	s.Visit(page)
	s.Shows(".outcome", "in review")
	s.Shows(".statement", s.run, "0.21196 g", "spilt", "Rhea Sower")
	s.Fill("#sign-id-approve", "rhea")
	s.Fill("#sign-secret-approve", "not her secret")
	s.SendsNot("#act-approve form button", "It was not signed")
	if refused := all[record.SignatureRefused](s.l, record.KindSignatureRefused); len(refused) != 1 || refused[0].By.ID != "rhea" || refused[0].Run.ID != s.run {
		s.T.Errorf("after a wrong secret the journal has %+v", refused)
	}
	s.Fill("#sign-secret-approve", s.l.secrets["rhea"])
	s.shoot("sign")
	s.Sends("#act-approve form button")
	s.Shows(".outcome", "approved")
	s.Shows(".signed-card", "Rhea Sower", "in force", "I have reviewed this run")
	s.shoot("approved")
	s.held()
}

// held holds what was signed against the entries, and what the lab system was told against both.
func (s *seat) held() {
	s.T.Helper()
	signed := all[record.Signature](s.l, record.KindSignature)
	if len(signed) != 1 || signed[0].Name != "Rhea Sower" || signed[0].Meaning != record.MeansReviewed || signed[0].How != record.ShownBoth || !strings.Contains(signed[0].Statement, "0.21196 g") {
		s.T.Fatalf("signed is %+v", signed)
	}
	v, err := signature.Verify(s.run, s.l.covered(s.run))
	if err != nil || !v.Holds() || len(v.Signatures) != 1 || v.Signatures[0].Over != "" {
		s.T.Errorf("the signature is found to be %+v, %v", v, err)
	}
	s.l.waitFor("what the lab system is told of the approval", func() bool {
		s.l.mu.Lock()
		defer s.l.mu.Unlock()
		return slices.ContainsFunc(s.l.told, func(c record.LabRequestChanged) bool {
			return c.Run == s.run && c.State == record.RunApproved && slices.ContainsFunc(c.Results, func(r record.RunResult) bool { return r.Digits == "0.21196" })
		})
	})
}

// covered are the entries that a signature under a run covers, as the journal has them.
func (l *lab) covered(run string) (list [][]byte) {
	l.t.Helper()
	err := journal.Scan(l.t.Context(), filepath.Join(l.dir, "journal"), 0, func(e record.Entry) error {
		yes, err := signature.Covers(run, e)
		if yes {
			list = append(list, slices.Clone(e.JSON))
		}
		return err
	})
	if err != nil {
		l.t.Fatal(err)
	}
	return list
}
