package screens

import (
	"errors"
	"net/http"
	"net/url"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// rereadData is what whoever has a frame read anew chooses among.
type rereadData struct {
	Run      string
	Weighing *reviewedWeighing // nil: none is chosen yet
	Among    []choice          // weighings that steps used, by the pages on which they are read anew
	Stands   string            // the value by which results are worked out now
	Can      []console.FrameReading
	Cannot   []console.FrameReading
	More     bool
	Form     *correctForm // nil: whoever looks cannot correct the run now
}

// rereadFrame shows what each layout makes of the frame of a weighing, and has it read anew by one of them.
func (s *Screens) rereadFrame(w http.ResponseWriter, r *http.Request) {
	v, ok := s.reviewOf(w, r)
	if !ok {
		return
	}
	of, d, full := r.URL.Query().Get("of"), &rereadData{Run: v.ID}, s.reviewData(r, v)
	if of == "" {
		for _, x := range full.Weighings {
			if len(x.Steps) > 0 {
				d.Among = append(d.Among, choice{rereadPath(v.ID, x.Weighing.ID), x.Weighing.Value.Shown() + ", " + x.Weighing.ID})
			}
		}
		s.showReread(w, r, d)
		return
	}
	readings, err := s.deps.Reviews.RunReadings(r.Context(), v.ID, of)
	at := slices.IndexFunc(full.Weighings, func(x reviewedWeighing) bool { return x.Weighing.ID == of })
	var not *record.NotDone
	switch {
	case errors.As(err, &not), err == nil && at < 0:
		s.sorry(w, r, http.StatusNotFound, "There is no such weighing of this run", "Go to the review of the run, and from a weighing to here.")
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "The layouts cannot be shown now", asSentence(err.Error())+" Try again in a moment.")
	default:
		d.takes(&full.Weighings[at], readings)
		if full.Correct && len(d.Weighing.Steps) > 0 {
			f := correcting(full, *d.Weighing)
			d.Form = &f
		}
		s.showReread(w, r, d)
	}
}

func (s *Screens) showReread(w http.ResponseWriter, r *http.Request, d *rereadData) {
	s.show(w, r, page{Template: "reread.html", Title: "Read a frame anew", Place: "/runs", Data: d})
}

// takes puts a weighing on the page, and what layouts make of it.
func (d *rereadData) takes(x *reviewedWeighing, readings console.FrameReadings) {
	d.Weighing, d.More, d.Stands = x, readings.More, x.NowValue()
	if d.Stands == "" {
		d.Stands = x.Value.Shown()
	}
	for _, one := range readings.Readings {
		if one.Value != nil {
			d.Can = append(d.Can, one)
		} else {
			d.Cannot = append(d.Cannot, one)
		}
	}
}

// Was says whether a layout is the one by which the weighing is recorded.
func (d *rereadData) Was(one console.FrameReading) bool { return one.Layout == d.Weighing.Layout }

// Same says whether nothing would be another by a layout.
func (d *rereadData) Same(one console.FrameReading) bool { return one.Value.Shown() == d.Stands }

// Other says whether something would be another by any of them.
func (d *rereadData) Other() bool {
	return slices.ContainsFunc(d.Can, func(one console.FrameReading) bool { return !d.Same(one) })
}

// rereadPath is the page on which a weighing of a run is read anew.
func rereadPath(run, of string) string {
	return runPath(run) + "/reread?" + url.Values{"of": {of}}.Encode()
}
