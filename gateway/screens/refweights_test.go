package screens

import (
	"errors"
	"io/fs"
	"net/http/httptest"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// shelfOfFiles keeps files as a test gives them.
type shelfOfFiles map[string]string

func (s shelfOfFiles) KeepFile(string, []byte) (record.KeptFile, error) {
	return record.KeptFile{}, errors.New("a page keeps nothing")
}

func (s shelfOfFiles) KeptFile(f record.KeptFile) ([]byte, error) {
	switch content, there := s[f.SHA256]; {
	case !there:
		return nil, fs.ErrNotExist
	case content == "damaged":
		return nil, errors.New("the file is not as it was when it was kept (SHA-256 differs)")
	default:
		return []byte(content), nil
	}
}

// TestACertificateIsShownOnlyAsItsHashSays: a file that is gone, damaged or of another kind is told in a sentence, and never given out.
func TestACertificateIsShownOnlyAsItsHashSays(t *testing.T) {
	f := &tested{}
	for id, hash := range map[string]string{"good": "aa", "gone": "bb", "spoilt": "cc", "page": "dd", "none": ""} {
		w := console.WeightView{ReferenceWeight: record.ReferenceWeight{ID: id, Nominal: "200 g", Certificate: &record.Certificate{Number: "4711"}}}
		if hash != "" {
			w.Certificate.File = &record.KeptFile{Name: `47"11 <b>.pdf`, SHA256: hash, Bytes: 12}
		}
		f.weights = append(f.weights, w)
	}
	l := newLab(t, Deps{Fitness: f, Kept: shelfOfFiles{"aa": "%PDF-1.7 it", "cc": "damaged", "dd": "<html>"}})
	ask := func(id string, who rights.Who) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "/weights/"+id+"/certificate", nil)
		w := httptest.NewRecorder()
		l.mux.ServeHTTP(w, r.WithContext(rights.With(r.Context(), who)))
		return w
	}
	w := ask("good", as(rights.Auditor))
	if h := w.Header(); w.Code != 200 || w.Body.String() != "%PDF-1.7 it" || h.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(h.Get("Content-Disposition"), "attachment") || h.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%d %v %q", w.Code, w.Header(), w.Body)
	}
	for id, want := range map[string]string{"gone": "is not where files are kept", "spoilt": "SHA-256 differs", "page": "no PDF, PNG or JPEG", "none": "No file of the certificate", "other": "No file of the certificate"} {
		if w := ask(id, as(rights.Auditor)); w.Code < 400 || !strings.Contains(w.Body.String(), want) || strings.Contains(w.Body.String(), "<html>\n") {
			t.Errorf("%s: %d %s", id, w.Code, w.Body)
		}
	}
	page := l.fetch(t, "/weights/good", as(rights.BalanceKeeper))
	for _, want := range []string{`href="/weights/good/certificate"`, "&lt;b&gt;.pdf", "Another file of the same certificate", `data-of="/api/v1/reference-weights/good"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of the weight has no %q", want)
		}
	}
	if page := l.fetch(t, "/weights/none", as(rights.BalanceKeeper)); !strings.Contains(page, "Attach the file of the certificate") || strings.Contains(page, "/certificate\"") {
		t.Error("a weight without a file is not offered to have one, or leads to one")
	}
	if page := l.fetch(t, "/weights/good", as(rights.Operator)); strings.Contains(page, "data-weight-file") {
		t.Error("whoever may not change weights is offered to")
	}
}

// TestNoTwoRegionsOfAPageAreCalledAlike: whoever goes by landmarks can tell them apart.
func TestNoTwoRegionsOfAPageAreCalledAlike(t *testing.T) {
	f := reportLab()
	v := f.views["b-12"]
	v.Upkeep = []*record.Upkeep{{Act: record.Moved}}
	f.views["b-12"] = v
	l := newLab(t, Deps{Source: twoBalances().get(), Fitness: f, Benches: benches{}})
	seen := map[string]int{}
	for _, n := range find(l.parsed(t, "/balances/b-12/fitness", rights.BalanceKeeper), func(n *html.Node) bool { role, _ := attr(n, "role"); return n.Data == "section" || role == "region" }) {
		by, _ := attr(n, "aria-labelledby")
		name, _ := attr(n, "aria-label")
		seen[by+name]++
	}
	for name, n := range seen {
		if n > 1 && name != "" {
			t.Errorf("%d regions are called by %q", n, name)
		}
	}
	if len(seen) < 8 {
		t.Errorf("%v", seen)
	}
}

// TestAnUncertaintySaysItsFactorOnce: the text of a result has it already.
func TestAnUncertaintySaysItsFactorOnce(t *testing.T) {
	f := reportLab()
	c := f.views["b-12"].Checks[1]
	c.Results[0].Uncertainty = "0.00016 g (k = 2)"
	var b strings.Builder
	if err := parsed()["check.html"]().ExecuteTemplate(&b, "check-results", c.Results); err != nil || strings.Count(b.String(), "k = 2") != 1 {
		t.Errorf("%v %s", err, b.String())
	}
}
