package report

import (
	"bytes"
	"cmp"
	"fmt"
	"time"

	"weighpost/gateway/laboratory"
	"weighpost/gateway/record"
)

// NotIssued stands on every page of a report that nobody issued.
const NotIssued = "NOT ISSUED: a preview, which nobody has put into the journal as a report"

// Paper writes a report as a PDF. The same report gives the same bytes.
func Paper(r Subject) ([]byte, error) {
	var b bytes.Buffer
	t := r.told()
	err := Compose(r).Write(&b, t.Version, t.Made())
	return b.Bytes(), err
}

// File writes a report in one of its forms; "": as a PDF. The error of a form that the report does not have is a *record.RequestRefused, of one
// that cannot hold it a *record.NotDone.
func File(r Subject, form string) ([]byte, error) {
	run, is := r.(*Run)
	switch {
	case form == "" || form == record.ReportPDF:
		return Paper(r)
	case !is || !record.ForPrograms(form):
		return nil, &record.RequestRefused{Why: fmt.Sprintf("a report as %.40q is one of a run: other reports are PDFs", form)}
	case form == record.ReportJSON:
		return dataOf(run)
	}
	b, err := modelOf(run)
	if err != nil {
		err = &record.NotDone{Why: err.Error()}
	}
	return b, err
}

// Told is what a report of any kind has.
type Told struct {
	Site    string
	Version string         // of the software that writes it
	Entries []record.Entry // those that it tells of, in their order
	// Number is that of the report, Replaces and Why those of the one whose place it takes. Without a number it is a preview.
	Number, Replaces, Why string
	Issued                *Issue // with a number: when and by whom
	Template              Template
	Model                 laboratory.Config // how documents of the laboratory model are written
}

// Issue is when a report was issued and by whom, as its entry in the journal has them.
type Issue struct {
	Stamp record.Stamp
	By    record.Actor
}

// issue says so in words (ISO/IEC 17025:2017, 7.8.2.1 j).
func (t *Told) issue() string {
	if t.Issued == nil {
		return ""
	}
	return ", issued " + when(t.Issued.Stamp) + " by " + who(t.Issued.By)
}

// Subject is a report before it is composed: a Run, Day, Sample, Balance, Trail or CheckReport.
type Subject interface {
	told() *Told
	// top gives the title, lines below it, the outcome with its word, and sentences below that.
	top() head
	// block gives what stands under a block, or nothing where there is nothing to say.
	block(name string) []Section
	// about is the id of what it is of, and of which kind.
	about() (kind, id string)
	// closing are sentences that stand at the end of the report, whatever its template.
	closing() []string
}

type head struct {
	title, outcome, mark string
	under, lead          []string
}

// Compose makes the document of a report by its template.
func Compose(r Subject) *Document {
	t, h := r.told(), r.top()
	_, about := r.about()
	d := &Document{Title: cmp.Or(t.Template.Title, h.title), Under: h.under, Outcome: h.outcome, Mark: h.mark, Lead: h.lead, Draft: t.Number == ""}
	if t.Template.Title != "" {
		d.Under = append([]string{h.title}, d.Under...)
	}
	d.Under = append(d.Under, "Site "+t.Site)
	switch {
	case t.Number == "":
		d.Foot = fmt.Sprintf("%s · %s · not issued · %s", about, t.Site, t.upTo())
	default:
		d.Under = append(d.Under, "Report "+t.Number+t.issue())
		d.Foot = fmt.Sprintf("%s · %s · %s · %s", t.Number, about, t.Site, t.upTo())
	}
	if t.Replaces != "" {
		d.Lead = append(d.Lead, fmt.Sprintf("This report takes the place of report %s, because: %s", t.Replaces, t.Why))
	}
	for _, b := range t.Template.Blocks {
		d.Parts = append(d.Parts, t.sections(r, b)...)
		if b.Block == BlockHeader && b.Text != "" {
			d.Under = append(d.Under, b.Text)
		}
	}
	d.Parts = append(d.Parts, Section{Name: "What this report is not", Notes: r.closing()})
	d.End = "End of the preview, which is no report."
	if t.Number != "" {
		d.End = "End of report " + t.Number + "."
	}
	return d
}

func (t *Told) sections(r Subject, b Block) (list []Section) {
	switch b.Block {
	case BlockHeader:
		return nil
	case BlockText:
		return []Section{{Name: b.Heading, Notes: []string{b.Text}}}
	case BlockProof:
		list = []Section{t.proof(r.about())}
	default:
		list = r.block(b.Block)
	}
	if len(list) > 0 && b.Heading != "" {
		list[0].Name = b.Heading
	}
	return list
}

// Made is the stamp of the last entry that a report tells of that has one; zero where none has.
func (t *Told) Made() (at time.Time) {
	for _, e := range t.Entries {
		if s, ok := record.StampOf(e); ok && s.UTC.Time().After(at) {
			at = s.UTC.Time()
		}
	}
	return at
}

// upTo says up to which entry the report tells.
func (t *Told) upTo() string {
	if len(t.Entries) == 0 {
		return "tells of no entry"
	}
	return fmt.Sprintf("as of entry %d", t.Entries[len(t.Entries)-1].Seq)
}
