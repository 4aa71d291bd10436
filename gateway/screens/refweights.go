package screens

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// refWeight is a reference weight as pages show it.
type refWeight struct {
	console.WeightView
	Look fitLook
}

// soonDue is how long before its day a weight is shown as due soon.
const soonDue = 30 * 24 * time.Hour

func refWeightOf(w console.WeightView, now time.Time) refWeight {
	look := fitLook{Word: "can be used", Shape: "well", Class: "good"}
	switch {
	case w.Withdrawn:
		look = fitLook{Word: "withdrawn", Shape: "not-said", Class: "said"}
	case w.Refused:
		look = fitLook{Word: "not to be used", Shape: "error", Class: "bad", Says: w.Unfit}
	case w.Unfit != "":
		look = fitLook{Word: "in doubt", Shape: "warning", Class: "doubt", Says: w.Unfit}
	case w.Certificate != nil && w.Certificate.Due != "" && w.Certificate.Due < now.Add(soonDue).Format(time.DateOnly):
		look = fitLook{Word: "due soon", Shape: "notice", Class: "doubt"}
	}
	return refWeight{w, look}
}

// Of says what the label of a weight says: "200 g, F1, set 3".
func (w refWeight) Of() string {
	text := string(w.Nominal)
	if w.Class != "" {
		text += ", " + w.Class
	}
	if w.Set != "" {
		text += ", set " + w.Set
	}
	return text
}

// Address is where the API has it.
func (w refWeight) Address() string { return "/api/v1/reference-weights/" + url.PathEscape(w.ID) }

// weightsData is the register.
type weightsData struct {
	Weights   []refWeight
	Withdrawn []refWeight
	May       bool
	Classes   []string
}

// weightClasses are the classes of OIML R 111-1 and of ASTM E617, from fine to coarse: those whose limits metrology knows.
var weightClasses = []string{"E1", "E2", "F1", "F2", "M1", "M1-2", "M2", "M2-3", "M3", "ASTM 0", "ASTM 1", "ASTM 2", "ASTM 3", "ASTM 4"}

// noFitness answers where balances are not checked.
func (s *Screens) noFitness(w http.ResponseWriter, r *http.Request) bool {
	if s.deps.Fitness == nil {
		s.sorry(w, r, http.StatusNotFound, "Balances are not checked here", "This weighpost does not look after the fitness of balances, and has no register of reference weights.")
	}
	return s.deps.Fitness == nil
}

// showWeights answers: which reference weights are there, and which can be used today?
func (s *Screens) showWeights(w http.ResponseWriter, r *http.Request) {
	if s.noFitness(w, r) {
		return
	}
	d := &weightsData{May: s.who(r).Can(string(rights.Weights)), Classes: weightClasses}
	now := s.today()
	for _, one := range s.weightsBySize() {
		if k := refWeightOf(one, now); one.Withdrawn {
			d.Withdrawn = append(d.Withdrawn, k)
		} else {
			d.Weights = append(d.Weights, k)
		}
	}
	s.show(w, r, page{Template: "weights.html", Title: "Reference weights", Place: "/due", Scripts: []string{"refweights.js"}, Data: d})
}

// weightData is one reference weight.
type weightData struct {
	refWeight
	May     bool
	MayRead bool // the file of its certificate
	Classes []string
}

func (s *Screens) showWeight(w http.ResponseWriter, r *http.Request) {
	if s.noFitness(w, r) {
		return
	}
	id := r.PathValue("id")
	one, ok := s.deps.Fitness.ReferenceWeight(id)
	if !ok {
		s.sorry(w, r, http.StatusNotFound, "There is no such reference weight", "No reference weight of the id "+id+" is registered.")
		return
	}
	who, now := s.who(r), s.today()
	d := &weightData{refWeightOf(one, now), who.Can(string(rights.Weights)) && !one.Withdrawn, who.Can(string(rights.ReadJournal)), weightClasses}
	if one.Class != "" && !slices.Contains(d.Classes, one.Class) {
		d.Classes = append(slices.Clone(d.Classes), one.Class)
	}
	s.show(w, r, page{Template: "weight.html", Title: "Reference weight " + id, Place: "/due", Scripts: []string{"refweights.js"}, Data: d})
}

// today is the time by the clock that stamps have.
func (s *Screens) today() time.Time {
	now, _ := s.deps.Now()
	return now
}

// weightCertificate gives out the file of a weight's certificate, once it is known to be as its hash in the journal says.
func (s *Screens) weightCertificate(w http.ResponseWriter, r *http.Request) {
	if s.noFitness(w, r) {
		return
	}
	id := r.PathValue("id")
	one, ok := s.deps.Fitness.ReferenceWeight(id)
	if !ok || one.Certificate == nil || one.Certificate.File == nil || s.deps.Kept == nil {
		s.sorry(w, r, http.StatusNotFound, "There is no file", "No file of the certificate of "+id+" is kept here.")
		return
	}
	f := *one.Certificate.File
	content, err := s.deps.Kept.KeptFile(f)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = fmt.Errorf("the file %s is not where files are kept beside the journal: put it back from a copy of that folder", f.SHA256)
	case err == nil && console.KeptType(content) == "":
		err = errors.New("it is no PDF, PNG or JPEG, which are the kinds of file that are kept")
	}
	if err != nil {
		s.sorry(w, r, http.StatusServiceUnavailable, "The certificate of "+id+" cannot be shown", capital(err.Error())+".")
		return
	}
	console.WriteKept(w, f, content)
}

// Proof is the certificate, or an empty one.
func (d *weightData) Proof() record.Certificate {
	if d.Certificate == nil {
		return record.Certificate{}
	}
	return *d.Certificate
}

// Known is what is known of it, to be changed.
func (d *weightData) Known() record.ReferenceWeight { return d.ReferenceWeight }

// Known and Proof are those of a weight that is not registered yet.
func (d *weightsData) Known() record.ReferenceWeight { return record.ReferenceWeight{} }
func (d *weightsData) Proof() record.Certificate     { return record.Certificate{} }

// weightLabel is a label to print.
type weightLabel struct {
	refWeight
	Code barcode
}

// weightLabels are labels to print: of the weights that ?id= names, or of all that are not withdrawn.
func (s *Screens) weightLabels(w http.ResponseWriter, r *http.Request) {
	if s.noFitness(w, r) {
		return
	}
	named := r.URL.Query()["id"]
	var list []weightLabel
	for _, one := range s.weightsBySize() {
		if len(named) > 0 && !slices.Contains(named, one.ID) || len(named) == 0 && one.Withdrawn {
			continue
		}
		code, err := bars(record.WeightCode(one.ID))
		if err != nil {
			s.sorry(w, r, http.StatusInternalServerError, "The labels cannot be made", err.Error())
			return
		}
		list = append(list, weightLabel{refWeightOf(one, s.today()), code})
	}
	title := "Labels of reference weights"
	if len(list) == 1 {
		title = fmt.Sprint("Label of ", list[0].ID)
	}
	s.show(w, r, page{Template: "weight-labels.html", Title: title, Place: "/due", Data: list})
}

// byUse puts those that can be used first, and then goes by size.
func byUse(a, b refWeight) int {
	return cmp.Or(boolFirst(!a.Refused, !b.Refused), bySize(a.WeightView, b.WeightView))
}

// bySize goes by the nominal mass, then by set and id: as they lie in their boxes.
func bySize(a, b console.WeightView) int {
	return cmp.Or(nominalGrams(a.Nominal).Cmp(nominalGrams(b.Nominal)), cmp.Compare(a.Set, b.Set), cmp.Compare(a.ID, b.ID))
}

// nominalGrams is a mass to sort by; zero for what is none.
func nominalGrams(m record.Mass) *big.Rat {
	digits, code, _ := strings.Cut(string(m), " ")
	d, err := decimal.Parse([]byte(digits))
	u, known := unit.ByCode(code)
	if err != nil || !known || !u.IsMass() {
		return new(big.Rat)
	}
	return new(big.Rat).Mul(d.Rat(), u.Grams())
}

// weightsBySize are all that are registered, in that order.
func (s *Screens) weightsBySize() []console.WeightView {
	return slices.SortedFunc(slices.Values(s.deps.Fitness.ReferenceWeights()), bySize)
}
