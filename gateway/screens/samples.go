package screens

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// samplesPage is the samples that are announced.
type samplesPage struct {
	Rows   []sampleRow
	Begin  string // how the ids begin that are shown
	Next   string // address of the part that follows; ""
	First  string // address of the beginning, where this is not it
	Can    bool
	Ready  bool
	Absent bool // no samples can be announced here
}

// sampleRow is one sample.
type sampleRow struct{ record.KnownSample }

// Over says whether it is not to be weighed any more.
func (s sampleRow) Over() bool { return s.Expired(time.Now()) }

// Address is where the API has it.
func (s sampleRow) Address() string { return "/api/v1/samples/" + url.PathEscape(s.ID) }

// Weighed is where its weighings are.
func (s sampleRow) Weighed() string { return "/weighed?" + url.Values{"sample": {s.ID}}.Encode() }

// More is what it brings along beside lot, method and run.
func (s sampleRow) More() string {
	var all []string
	for _, name := range slices.Sorted(maps.Keys(s.Fields)) {
		all = append(all, spacedWords(name)+" "+s.Fields[name])
	}
	return strings.Join(all, ", ")
}

const samplesLimit = 100

func (s *Screens) showSamples(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	p := samplesPage{Begin: q.Get("begin"), Can: rights.From(r.Context()).May(rights.Samples) == nil, Absent: s.deps.Samples == nil}
	if !p.Absent {
		list, more, ready := s.deps.Samples.List(p.Begin, q.Get("after"), samplesLimit)
		p.Ready = ready
		for _, one := range list {
			p.Rows = append(p.Rows, sampleRow{one})
		}
		if more && len(list) > 0 {
			p.Next = "/samples?" + url.Values{"begin": {p.Begin}, "after": {list[len(list)-1].ID}}.Encode()
		}
		if q.Get("after") != "" {
			p.First = "/samples?" + url.Values{"begin": {p.Begin}}.Encode()
		}
	}
	s.show(w, r, page{Template: "samples.html", Title: "Samples to be weighed", Place: "/weighed", Scripts: []string{"samples.js"}, Data: &p})
}
