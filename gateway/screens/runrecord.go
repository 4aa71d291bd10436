package screens

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// runRecordData is a whole run, for reading and for paper.
type runRecordData struct {
	console.RunView
	Look     fitLook
	Rows     []takenRow
	Worked   []takenRow // those that computed something
	People   []string
	Balances []runBalance
	NoList   string // why the weighings could not be read
	Counts   int    // attempts that count
	Out      int    // attempts that do not count
}

// runBalance is a balance that a run used, with its fitness as it was at the weighings.
type runBalance struct {
	record.Balance
	Fitness   []fitLook
	Weighings int
}

// runRecord shows the record of a run.
func (s *Screens) runRecord(w http.ResponseWriter, r *http.Request) {
	v, ok := s.runAsked(w, r)
	if !ok {
		return
	}
	d := recordData(v)
	d.people()
	s.balancesOf(r, &d)
	s.show(w, r, page{Template: "run-record.html", Title: "Record of run " + d.ID, Place: "/runs", Data: &d})
}

// recordData puts together what is known of a run by its steps.
func recordData(v console.RunView) runRecordData {
	d := runRecordData{RunView: v, Look: runLook(v.RunGlance)}
	for _, step := range v.Steps {
		row := takenRowOf(step)
		d.Rows = append(d.Rows, row)
		switch {
		case step.Became == record.StepTaken && row.Counts:
			d.Counts++
		case step.Became == record.StepTaken, step.Became == record.StepStopped, step.Became == record.StepUnused:
			d.Out++
		}
		if step.RunStep.Worked != nil {
			d.Worked = append(d.Worked, row)
		}
	}
	return d
}

// people are all who performed a part of the run or confirmed it, by name where that is known.
func (d *runRecordData) people() {
	add := func(a *record.Actor, what string) {
		if a == nil || a.ID == "" {
			return
		}
		words := a.Shown()
		if a.Name != "" && a.Name != a.ID {
			words += " (" + a.ID + ")"
		}
		if words += ", " + what; !slices.Contains(d.People, words) {
			d.People = append(d.People, words)
		}
	}
	for i := range d.Rows {
		step := d.Rows[i].RunStep
		if step.Became == record.StepAllowed {
			add(&step.By, "let it go on")
		} else {
			add(&step.By, "performed it")
		}
		add(step.Second, "second person")
	}
	if len(d.Rows) == 0 {
		add(&d.By, "performed it")
	}
}

// mostWeighings is how many weighings of a run are read to say how fit its balances were: as many as a page of the journal has.
const mostWeighings = 1000

// balancesOf says of each balance that the run used how fit it was at the weighings.
func (s *Screens) balancesOf(r *http.Request, d *runRecordData) {
	add := func(b record.Balance) *runBalance {
		i := slices.IndexFunc(d.Balances, func(x runBalance) bool { return x.ID == b.ID })
		if i < 0 {
			d.Balances, i = append(d.Balances, runBalance{Balance: b}), len(d.Balances)
		}
		return &d.Balances[i]
	}
	for i := range d.Rows {
		if b := d.Rows[i].RunStep.Balance; b != nil {
			add(*b)
		}
	}
	if s.deps.Entries == nil {
		return
	}
	l, err := s.deps.Entries.ListEntries(r.Context(), url.Values{"kind": {string(record.KindWeighing)}, "run": {d.ID}, "sort": {"seq"}, "limit": {strconv.Itoa(mostWeighings)}})
	if err != nil {
		d.NoList = err.Error()
		return
	}
	for _, raw := range l.Entries {
		var one record.Weighing
		if json.Unmarshal(raw, &one) != nil {
			continue
		}
		b := add(one.Balance)
		b.Weighings++
		if look := lookOf(one.Fitness.State); !slices.Contains(b.Fitness, look) {
			b.Fitness = append(b.Fitness, look)
		}
	}
}
