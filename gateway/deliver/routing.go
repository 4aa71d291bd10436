package deliver

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Which weighings and results a sink wants, by what rules said of them.
const (
	AnyVerdict = "any"
	Passed     = "passed"     // judged by at least one rule, and failed by none
	NotFailed  = "not-failed" // failed by no rule: passed, or not judged
	Failed     = "failed"     // failed by at least one rule
)

// Released is the one way to hold weighings and results back: until somebody releases them.
const Released = "released"

func (c *Config) checkRouting(r *strict.Report) {
	for i, id := range c.Balances {
		if err := record.CheckName(id); err != nil {
			r.At("balances").Index(i).Fault("the id of the balance "+err.Error(), "the id of a balance, such as b-12")
		}
		if slices.Index(c.Balances, id) < i {
			r.At("balances").Index(i).Fault(fmt.Sprintf("%q stands here twice", id), "each balance once")
		}
	}
	if !slices.Contains([]string{AnyVerdict, Passed, NotFailed, Failed}, c.Verdicts) {
		r.At("verdicts").Fault(fmt.Sprintf("%.40q is no choice of verdicts", c.Verdicts), "any, passed, not-failed or failed")
	}
	if c.Hold != "" && c.Hold != Released {
		r.At("hold").Fault(fmt.Sprintf("%.40q is no way to hold entries back", c.Hold), "released, or leave it out")
	}
}

// routes says which entries a sink gets, and which it holds back.
type routes struct {
	rules Config
	want  map[record.Kind]bool
}

func routesOf(c Config) routes {
	r := routes{c, make(map[record.Kind]bool)}
	for _, k := range c.Wants() {
		r.want[k] = true
	}
	return r
}

// holds says whether an entry waits for its release.
func (r *routes) holds(e record.Entry) bool {
	return e.Kind.Numbered() && (r.rules.Hold == Released || HeldAsUnfit(e))
}

// heldMark is in the JSON of each entry that HeldAsUnfit may hold for. Few have it, and the others are not parsed.
var heldMark = []byte(`"held"`)

// HeldAsUnfit says whether every sink holds an entry back, since its balance was out of service and the lab's policy has it so. The entry
// alone says it: a policy that changes later, or a balance that is in service again, releases nothing.
func HeldAsUnfit(e record.Entry) bool {
	if !e.Kind.Numbered() || !bytes.Contains(e.JSON, heldMark) {
		return false
	}
	var w struct {
		Fitness struct {
			Held bool `json:"held"`
		} `json:"fitness"`
	}
	return json.Unmarshal(e.JSON, &w) == nil && w.Fitness.Held
}

// wants leaves out what the sink did not ask for, and what comes of its own deliveries: that it refused something, or what it
// answered. To deliver that as well would make an entry out of every delivery, without end.
func (r *routes) wants(e record.Entry) bool {
	if !r.want[e.Kind] {
		return false
	}
	if e.Kind == record.KindParked || e.Kind == record.KindSinkAnswered {
		var p struct{ Sink string }
		return json.Unmarshal(e.JSON, &p) == nil && p.Sink != r.rules.ID
	}
	if e.Kind == record.KindReportIssued && !r.rules.getsReport(e.JSON) {
		return false
	}
	if e.Balance != "" && len(r.rules.Balances) > 0 && !slices.Contains(r.rules.Balances, e.Balance) {
		return false
	}
	return !e.Kind.Numbered() || r.rules.Verdicts == AnyVerdict || r.rules.verdictFits(e.JSON)
}

// verdictFits says whether a sink wants a weighing for what rules said of it. One whose verdicts cannot be read is wanted: it is
// for the destination to refuse it.
func (c *Config) verdictFits(raw []byte) bool {
	var w struct {
		Verdicts []struct {
			Pass      bool `json:"pass"`
			NotJudged bool `json:"not_judged"`
		} `json:"verdicts"`
	}
	if json.Unmarshal(raw, &w) != nil {
		return true
	}
	failed, judged := false, false
	for _, v := range w.Verdicts {
		judged = judged || !v.NotJudged
		failed = failed || !v.Pass && !v.NotJudged
	}
	switch c.Verdicts {
	case Passed:
		return !failed && judged
	case NotFailed:
		return !failed
	}
	return failed
}

// getsReport says whether a report that was issued goes to a sink: to one that names reports among its entries, where the report names it;
// to one that gets all entries, always, or its copy of the journal would have gaps.
func (c *Config) getsReport(raw []byte) bool {
	var r struct{ Sent []string }
	return slices.Contains(c.Entries, everything) || json.Unmarshal(raw, &r) == nil && slices.Contains(r.Sent, c.ID)
}
