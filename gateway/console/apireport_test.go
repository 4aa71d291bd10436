package console

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// cabinet has the file of one balance, b-12, with one check.
type cabinet struct {
	Fitness
	view    FitnessView
	weights map[string]WeightView
}

func (c *cabinet) FitnessOf(balance string) (FitnessView, bool) { return c.view, balance == "b-12" }

func (c *cabinet) ReferenceWeight(id string) (WeightView, bool) {
	w, ok := c.weights[id]
	return w, ok
}

func (c *cabinet) CheckEnded(_ context.Context, balance, check string) (CheckReport, error) {
	switch {
	case balance != "b-12":
		return CheckReport{}, record.ErrNoBalance
	case check != "b-12/c000017":
		return CheckReport{}, record.ErrNoCheck
	}
	return CheckReport{Ended: c.view.Checks[0], Begun: &record.CheckBegun{}, Steps: []*record.CheckStep{}}, nil
}

// states has the changes of state of a balance.
type states struct {
	Entries
	asked url.Values
	list  []record.FitnessChanged
}

func (s *states) ListEntries(_ context.Context, r url.Values) (l EntryList, err error) {
	s.asked = r
	for _, one := range s.list {
		b, err := json.Marshal(one)
		if err != nil {
			return l, err
		}
		l.Entries = append(l.Entries, b)
	}
	return l, nil
}

func (s *states) EntryParameters() []ExportParameter { return nil }

func newCabinet() *cabinet {
	e := &record.CheckEnded{Head: record.Head{ID: "lab/1/@/000017", Seq: 17, Site: "lab"}, Check: record.CheckRef{ID: "b-12/c000017", Definition: "daily"}, Balance: record.Balance{ID: "b-12"},
		Outcome: record.CheckPassed, Weights: []record.WeightUsed{{ReferenceWeight: record.ReferenceWeight{ID: "w-2", Nominal: "200 g"}}, {ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g"}}},
		Stamp: record.Stamp{UTC: record.UTC(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)), Clock: record.ClockChecked}}
	return &cabinet{view: FitnessView{Balance: record.Balance{ID: "b-12"}, Fitness: record.Fitness{State: record.InService}, Checks: []*record.CheckEnded{e}}, weights: map[string]WeightView{}}
}

// TestTheFileOfABalanceTakesNothingForGood: what is missing is unknown, and said so.
func TestTheFileOfABalanceTakesNothingForGood(t *testing.T) {
	c := newCabinet()
	d := Deps{Fitness: c}
	f, ok := d.FileOfBalance("b-12", "2026-11-30")
	if !ok || f.Certificate.State != CertificateUnknown || len(f.Missing) != 10 || f.Weights[0].Used.ID != "w-1" || f.Weights[0].Today != "it is not in the register" {
		t.Errorf("%+v", f)
	}
	for _, want := range []struct{ due, state string }{{"", CertificateUnknown}, {"2026-11-29", CertificateOverdue}, {"2026-11-30", CertificateRelied}, {"2026-12-01", CertificateRelied}} {
		c.view.Upkeep = []*record.Upkeep{{Act: record.Repaired}, {Act: record.Calibrated, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "K-1", Due: want.due}}},
			{Act: record.Calibrated, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "K-0", Due: "2030-01-01"}}}}
		f, _ := d.FileOfBalance("b-12", "2026-11-30")
		if f.Certificate.State != want.state || !strings.Contains(f.Certificate.Why, "K-1") || slices.Contains(f.Missing, f.Certificate.Why) != (want.state == CertificateUnknown) {
			t.Errorf("due %q: %+v %q", want.due, f.Certificate, f.Missing)
		}
	}
	c.weights["w-1"] = WeightView{Unfit: "its certificate was due on 2026-11-01"}
	if f, _ := d.FileOfBalance("b-12", "2026-11-30"); f.Weights[0].Today != "not to be relied on: its certificate was due on 2026-11-01" {
		t.Errorf("%+v", f.Weights)
	}
}

// TestTheStateThatFollowedACheckIsItsOwn: one of another check is not taken for it.
func TestTheStateThatFollowedACheckIsItsOwn(t *testing.T) {
	s := &states{list: []record.FitnessChanged{{State: record.OutOfService, Check: "b-12/c000018"}}}
	d := Deps{Fitness: newCabinet(), Entries: s}
	c, err := d.ReportOfCheck(t.Context(), "b-12", "b-12/c000017")
	if err != nil || c.Followed != nil || s.asked.Get("after") != "17" {
		t.Errorf("%+v, %v, %v", c, err, s.asked)
	}
	s.list[0].Check = "b-12/c000017"
	if c, err = d.ReportOfCheck(t.Context(), "b-12", "b-12/c000017"); err != nil || c.Followed == nil || c.Followed.State != record.OutOfService || c.Proof.Missing == "" {
		t.Errorf("%+v, %v", c, err)
	}
}

// TestReportsAreSent as a PDF, and what there is none of is 404.
func TestReportsAreSent(t *testing.T) {
	h := open(t)
	for path, want := range map[string]int{"b-12/checks/c000001/report.pdf": 200, "b-12/checks/c000099/report.pdf": 404, "b-99/checks/c000001/report.pdf": 404,
		"b-12/checks/..%2f..%2fx/report.pdf": 404, "b-12/checks/%22%0d%0aX:1/report.pdf": 404, "b-12/file": 200, "b-99/file": 404} {
		resp, body := ask(t, http.MethodGet, h.base+"/api/v1/balances/"+path, nil)
		if resp.StatusCode != want {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
		if want == 200 && strings.HasSuffix(path, ".pdf") && (!strings.HasPrefix(body, "%PDF-1.7") || resp.Header.Get("Content-Type") != "application/pdf") {
			t.Errorf("%s: %v", path, resp.Header)
		}
	}
}
