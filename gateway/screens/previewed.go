package screens

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// previewData is what a sink would send for an entry.
type previewData struct {
	console.DeliveryPreview
	Path string    // of the entry
	Rows []byteRow // the body byte by byte, where it is no text
	Cut  int       // bytes that are not shown so; 0: none
}

// Batched says whether the entry goes out with others, in a batch whose name is not known yet.
func (d *previewData) Batched() bool { return strings.Contains(d.To, "{batch}") }

// mostBytesShown is how much of a body that is no text a page spells out.
const mostBytesShown = 4 << 10

// previewed shows exactly what a sink would send for an entry.
func (s *Screens) previewed(w http.ResponseWriter, r *http.Request) {
	sink, id := r.PathValue("sink"), r.URL.Query().Get("id")
	if s.deps.Deliveries == nil {
		s.sorry(w, r, http.StatusNotFound, "Nothing is shown here", "What destinations get cannot be shown by this weighpost.")
		return
	}
	p, err := console.DeliveryPreview{Sink: sink}, error(nil)
	if id != "" {
		p, err = s.deps.Deliveries.Preview(r.Context(), sink, id)
	} else {
		_, err = s.deps.Deliveries.Routing(sink) // whether there is such a destination
	}
	var refused *record.RequestRefused
	switch {
	case errors.Is(err, console.ErrNoSink):
		s.sorry(w, r, http.StatusNotFound, "There is no such destination", fmt.Sprintf("No destination %q is configured. What is configured is on the page Delivered.", seen(sink)))
		return
	case errors.Is(err, console.ErrNoEntry):
		s.sorry(w, r, http.StatusNotFound, "There is no such record", fmt.Sprintf("The journal has no record %q.", seen(id)))
		return
	case errors.As(err, &refused):
		s.sorry(w, r, http.StatusNotFound, "It cannot be shown", capital(refused.Why)+".")
		return
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "It cannot be shown now", err.Error()+". Try again in a moment.")
		return
	}
	d := previewData{DeliveryPreview: p, Path: "/happened/" + fmt.Sprint(p.Seq)}
	if p.Text == "" && len(p.Body) > 0 {
		d.Rows = bytesOf(p.Body[:min(len(p.Body), mostBytesShown)])
		d.Cut = max(len(p.Body)-mostBytesShown, 0)
	}
	s.show(w, r, page{Template: "previewed.html", Title: "What " + p.Sink + " gets", Place: "/delivered", Data: &d})
}
