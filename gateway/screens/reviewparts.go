package screens

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// resultPair is one result of a run as it was found first, and as it stands after what was corrected.
type resultPair struct {
	Found, Now *record.RunResult // nil: it is not there
}

// Changed says whether a correction made another of it.
func (p resultPair) Changed() bool {
	return p.Found == nil || p.Now == nil || p.Found.Digits != p.Now.Digits || p.Found.Unit != p.Now.Unit || p.Found.Text != p.Now.Text || p.Found.Verdict != p.Now.Verdict
}

// Any is the result as it stands, or as it was found where it is no more.
func (p resultPair) Any() *record.RunResult {
	if p.Now != nil {
		return p.Now
	}
	return p.Found
}

// pairsOf puts results beside each other by their name and what they are of: an item keeps its position where its sample is amended.
func pairsOf(found, now []record.RunResult) (list []resultPair) {
	left := make([]*record.RunResult, len(now))
	for i := range now {
		left[i] = &now[i]
	}
	for i := range found {
		p := resultPair{Found: &found[i]}
		at := slices.IndexFunc(left, func(r *record.RunResult) bool {
			return r != nil && r.Name == found[i].Name && sameItem(r.Item, found[i].Item)
		})
		if at < 0 && i < len(left) && left[i] != nil && left[i].Name == found[i].Name {
			at = i
		}
		if at >= 0 {
			p.Now, left[at] = left[at], nil
		}
		list = append(list, p)
	}
	for _, r := range left {
		if r != nil {
			list = append(list, resultPair{Now: r})
		}
	}
	return list
}

// Limit is the limit as it stands, or where there is no value any more the one that was found first.
func (p resultPair) Limit() string {
	limit := p.Any().Limit
	if limit == "" && p.Found != nil {
		limit = p.Found.Limit
	}
	return limit
}

func sameItem(a, b *record.RunItem) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Sample == b.Sample && a.Container == b.Container && a.Lot == b.Lot && a.Position == b.Position
}

// reviewedWeighing is a weighing of a run, for whoever reviews it.
type reviewedWeighing struct {
	weighed
	Bytes    []byteRow
	Steps    []takenRow // that used it
	Excluded *record.RunCorrected
	Amended  []*record.RunCorrected // what was amended, or read anew, of it
}

// Used says whether a result can rest on it.
func (x *reviewedWeighing) Used() bool {
	return x.Excluded == nil && slices.ContainsFunc(x.Steps, func(t takenRow) bool { return t.Counts })
}

// Fit is how fit the balance was.
func (x *reviewedWeighing) Fit() fitLook { return lookOf(x.Fitness.State) }

// NowValue is the value by which results are worked out: another than that of the record where its frame was read anew.
func (x *reviewedWeighing) NowValue() string {
	for _, c := range slices.Backward(x.Amended) {
		if c.Change == record.CorrectReread {
			return c.After
		}
	}
	return ""
}

// weighings tells of each weighing of a run what became of it.
func (d *reviewData) weighings() (list []reviewedWeighing) {
	for _, one := range d.V.Weighings {
		e := record.Entry{Seq: one.Seq, Kind: record.KindWeighing, ID: one.ID, Balance: one.Balance.ID}
		x := reviewedWeighing{weighed: weighed{Weighing: *one, Entry: e, Path: entryPath(e)}, Bytes: bytesOf(one.Frame), Steps: usedBy(one.ID, d.Rows),
			Excluded: excludedBy(one.ID, &d.V)}
		for _, c := range d.V.Corrections {
			if c.Of.ID == one.ID && (c.Change == record.CorrectAmend || c.Change == record.CorrectReread) {
				x.Amended = append(x.Amended, c)
			}
		}
		list = append(list, x)
	}
	return list
}

// usedBy are the attempts that used a weighing or a slip.
func usedBy(id string, steps []takenRow) (list []takenRow) {
	for _, row := range steps {
		if row.RunStep.Weighing != nil && row.RunStep.Weighing.ID == id {
			list = append(list, row)
		}
	}
	return list
}

// excludedBy is the correction by which a weighing or a slip is not used now; nil: none is.
func excludedBy(id string, v *console.ReviewView) *record.RunCorrected {
	if !slices.ContainsFunc(v.Excluded, func(ref record.EntryRef) bool { return ref.ID == id }) {
		return nil
	}
	for _, c := range slices.Backward(v.Corrections) {
		if c.Of.ID == id && c.Change == record.CorrectExclude {
			return c
		}
	}
	return nil
}

// trailRow is an entry of a run in the order of the journal.
type trailRow struct {
	occurrence
	New bool // since whoever looks looked last
}

// trailOf lists the entries of a run, with those that came after one marked as new.
func trailOf(trail []json.RawMessage, looked uint64) (rows []trailRow, fresh int) {
	var l list
	for _, raw := range trail {
		e, err := record.ParseEntry(raw)
		if err != nil {
			continue // it was read from the journal by whoever put it here
		}
		row := trailRow{occurrence: l.listed(e), New: e.Seq > looked && !isLook(e)}
		if row.New {
			fresh++
		}
		rows = append(rows, row)
	}
	return rows, fresh
}

// isLook says whether an entry only says that somebody looked: there is nothing in it to look at.
func isLook(e record.Entry) bool {
	var a record.RunReview
	return e.Kind == record.KindRunReviewed && json.Unmarshal(e.JSON, &a) == nil && a.Act == record.ActLook
}

// correctForm is what the forms ask for by which a weighing or a slip is corrected.
type correctForm struct {
	Run, Of  string
	Seen     uint64
	Excluded bool
	Fields   []choice // that can be amended, with what they say
	Reasons  []string
	Reread   string // the page on which its frame is read anew; "": it has none, or no step used it
	N        string // makes the ids of its fields its own
}

// correcting asks for a correction of a weighing or of a slip.
func correcting(d *reviewData, of any) correctForm {
	f := correctForm{Run: d.ID, Seen: d.V.Last, Reasons: d.V.Reasons}
	switch x := of.(type) {
	case reviewedWeighing:
		f.Of, f.Excluded, f.Fields, f.N = x.Weighing.ID, x.Excluded != nil, amendable(&x.Context), fmt.Sprint(x.Weighing.Seq)
		if len(x.Steps) > 0 {
			f.Reread = rereadPath(d.ID, x.Weighing.ID)
		}
	case reviewedSlip:
		f.Of, f.Excluded, f.Fields, f.N = x.ID, x.Excluded != nil, amendable(&x.Context), fmt.Sprint(x.Seq)
	}
	return f
}

// Second is the same for another form on the same page.
func (f correctForm) Second() correctForm {
	f.N += "-2"
	return f
}

// amendable are the parts of a context that can be amended. What a balance said never can.
func amendable(c *record.Context) (all []choice) {
	for _, name := range []string{record.ItemSample, record.ItemLot, record.ItemPerson, record.ItemMethod} {
		says := "none"
		if l := c.Get(name); l != nil {
			says = l.ID
		}
		all = append(all, choice{name, name + ": " + says})
	}
	for _, name := range slices.Sorted(maps.Keys(c.Fields)) {
		all = append(all, choice{name, spacedWords(name) + ": " + c.Fields[name]})
	}
	return all
}
