package report

import (
	"bytes"
	"encoding/json"
	"slices"

	"weighpost/gateway/record"
)

// DataSchema is what the data of a run say that they are, and in which version.
const DataSchema = "weighpost.run-report/1"

// Data is the report of a run for programs: what the report on paper says, and every entry that it tells of, byte for byte as the journal
// has it. Whoever puts the entries in the order of their sequences can work the root anew (RFC 6962, section 2.1).
type Data struct {
	Schema   string     `json:"schema"`
	Site     string     `json:"site"`
	Software string     `json:"software" doc:"Version of weighpost that wrote this."`
	Report   *DataHead  `json:"report,omitempty" doc:"Left out: nobody has issued this as a report, it is a preview."`
	Run      DataRun    `json:"run"`
	Results  DataResult `json:"results"`

	Weighings  []DataWeighing    `json:"weighings" doc:"Every weighing of the run, and every result of a balance, those that do not count too."`
	Attempts   []DataAttempt     `json:"attempts" doc:"Every attempt at a step, those that do not count too."`
	Unread     []json.RawMessage `json:"unread" doc:"Entries of what the balances of the run sent meanwhile and nobody could read."`
	Changes    []json.RawMessage `json:"changes" doc:"Entries of the kind run-corrected: what was excluded, included again, amended or read anew, with results before and after."`
	Reviews    []json.RawMessage `json:"reviews" doc:"Entries of the kind run-reviewed."`
	Signatures []DataSignature   `json:"signatures"`
	Others     []json.RawMessage `json:"others" doc:"What else the report tells of, such as what came of slips that were typed in."`

	Statistics []DataStatistics `json:"statistics" doc:"Of values that were found several times, those that count."`
	Proof      DataProof        `json:"proof"`
	Caution    []string         `json:"caution" doc:"What to mind, in sentences."`
}

// DataHead says which report it is.
type DataHead struct {
	Number   string `json:"number"`
	Issued   string `json:"issued,omitempty" doc:"When, RFC 3339 with the offset of the place."`
	By       string `json:"by,omitempty" doc:"Who issued it."`
	Replaces string `json:"replaces,omitempty" doc:"Number of the report whose place it takes."`
	Why      string `json:"why,omitempty" doc:"Why it takes that place."`
}

// DataRun says which run it is, and how it stands.
type DataRun struct {
	ID              string              `json:"id"`
	Procedure       record.ProcedureRef `json:"procedure" doc:"Name, version and the SHA-256 of the version's text."`
	Title           string              `json:"title,omitempty" doc:"Of the procedure."`
	State           string              `json:"state" doc:"open, abandoned, complete, in review, returned, reviewed, approved, needs review again, replaced or archived."`
	UnderAssessment string              `json:"under_assessment,omitempty" doc:"A check that failed later, covers weighings of the run, and is not judged yet."`
	Request         *record.RequestRef  `json:"request,omitempty" doc:"What the run answers."`
	Items           []record.RunItem    `json:"items"`
	LeftOut         []record.RunLeft    `json:"left_out"`
	People          []string            `json:"people"`
	Balances        []string            `json:"balances"`
	Begun           json.RawMessage     `json:"begun" doc:"Entry of the kind run-begun; null: it is not known."`
	Ended           json.RawMessage     `json:"ended" doc:"Entry of the kind run-ended."`
}

// DataResult are the results, as they were first worked out and as they stand.
type DataResult struct {
	Verdict      string             `json:"verdict" doc:"Of the run as it stands: passed, warned, failed, not judged; empty: it has none."`
	Results      []record.RunResult `json:"results" doc:"As they stand."`
	FirstVerdict string             `json:"first_verdict" doc:"Of the run as it ended."`
	First        []record.RunResult `json:"first" doc:"As they were first worked out."`
	Changed      bool               `json:"changed" doc:"Something was excluded, included, amended or read anew since."`
}

// DataWeighing is a weighing and what became of it.
type DataWeighing struct {
	ID     string          `json:"id"`
	Counts bool            `json:"counts"`
	UsedAs string          `json:"used_as,omitempty" doc:"The step that its value counts for."`
	Why    string          `json:"why,omitempty" doc:"Why it does not count."`
	Sample string          `json:"sample,omitempty" doc:"Whose it is, as it stands: a context that was amended is so here, and in the entry as it was recorded."`
	Entry  json.RawMessage `json:"entry" doc:"Entry of the kind weighing, result or late-entered."`
}

// DataAttempt is one attempt at a step of the run, or what was done to the run between its steps.
type DataAttempt struct {
	Counts bool            `json:"counts"`
	Label  string          `json:"label,omitempty" doc:"The step, in the procedure's words."`
	Entry  json.RawMessage `json:"entry" doc:"Entry of the kind run-step."`
}

// DataSignature is a signature and whether it is in force.
type DataSignature struct {
	Name    string          `json:"name" doc:"Printed name, as it was then."`
	Time    string          `json:"time" doc:"RFC 3339, with the offset of the place."`
	Meaning string          `json:"meaning" doc:"performed, reviewed, approved."`
	InForce bool            `json:"in_force"`
	Why     string          `json:"why,omitempty" doc:"Why it is not in force, or does not hold."`
	Entry   json.RawMessage `json:"entry" doc:"Entry of the kind signature, with the statement word for word."`
}

// DataStatistics are those of one value. Texts have units.
type DataStatistics struct {
	Of       string `json:"of"`
	N        string `json:"n"`
	Mean     string `json:"mean"`
	S        string `json:"s" doc:"Experimental standard deviation, with n - 1 (JCGM 100:2008, 4.2.2)."`
	Percent  string `json:"s_percent" doc:"s in per cent of the mean."`
	Smallest string `json:"smallest"`
	Largest  string `json:"largest"`
}

// DataProof binds the report to the journal.
type DataProof struct {
	Entries   int    `json:"entries" doc:"How many entries the report tells of: all that are in here."`
	Sequences string `json:"sequences"`
	Last      string `json:"last" doc:"Id of the last of them."`
	Root      string `json:"root" doc:"Merkle tree hash of their bytes in the order of their sequences (RFC 6962, section 2.1), in hexadecimal after sha256:."`
}

// Data gathers what the report of a run says.
func (r *Run) Data() *Data {
	e := r.Ended
	results, verdict, by := r.now(e)
	d := &Data{Schema: DataSchema, Site: r.Site, Software: r.Version,
		Run: DataRun{ID: e.Run.ID, Procedure: e.Run.Procedure, Title: r.Title, State: r.State(), UnderAssessment: r.UnderAssessment, Request: e.Request, Items: full(e.Items), LeftOut: full(e.LeftOut),
			People: full(e.People), Balances: full(e.Balances)},
		Results: DataResult{Verdict: verdict, Results: full(results), FirstVerdict: e.Verdict, First: full(e.Results), Changed: by != nil},
		Unread:  []json.RawMessage{}, Changes: []json.RawMessage{}, Reviews: []json.RawMessage{}, Others: []json.RawMessage{}, Weighings: []DataWeighing{}, Attempts: []DataAttempt{}, Signatures: []DataSignature{},
		Statistics: []DataStatistics{}, Caution: r.closing()}
	if r.Number != "" {
		d.Report = &DataHead{Number: r.Number, Replaces: r.Replaces, Why: r.Why}
		if i := r.Issued; i != nil {
			d.Report.Issued, d.Report.By = zoned(i.Stamp), i.By.Shown()
		}
	}
	stands := r.standing()
	for _, entry := range r.Entries {
		r.place(d, entry, stands)
	}
	for _, s := range r.repeated() {
		c := s.row().Cells
		d.Statistics = append(d.Statistics, DataStatistics{Of: c[0], N: c[1], Mean: c[2], S: c[3], Percent: c[4], Smallest: c[5], Largest: c[6]})
	}
	if len(r.Entries) > 0 {
		d.Proof = DataProof{Entries: len(r.Entries), Sequences: Ranges(r.Entries), Last: r.Entries[len(r.Entries)-1].ID, Root: Root(r.Entries)}
	}
	return d
}

// full is a list that JSON writes as one, also where there is nothing in it.
func full[T any](list []T) []T { return append([]T{}, list...) }

// place puts one entry where it belongs: each is there once.
func (r *Run) place(d *Data, e record.Entry, stands []standing) {
	switch e.Kind {
	case record.KindWeighing, record.KindResult, record.KindLateEntered:
		d.Weighings = append(d.Weighings, r.weighingData(e))
	case record.KindRunStep:
		d.Attempts = append(d.Attempts, r.attemptData(e))
	case record.KindSignature:
		d.Signatures = append(d.Signatures, signatureData(e, stands))
	case record.KindRunBegun:
		d.Run.Begun = e.JSON
	case record.KindRunEnded:
		d.Run.Ended = e.JSON
	case record.KindRunCorrected:
		d.Changes = append(d.Changes, e.JSON)
	case record.KindRunReviewed:
		d.Reviews = append(d.Reviews, e.JSON)
	case record.KindUnread, record.KindUnreadSummary:
		d.Unread = append(d.Unread, e.JSON)
	default:
		d.Others = append(d.Others, e.JSON)
	}
}

func (r *Run) weighingData(e record.Entry) DataWeighing {
	d := DataWeighing{ID: e.ID, Entry: e.JSON}
	if i := slices.IndexFunc(r.weighings, func(w weighed) bool { return w.ID == e.ID }); i >= 0 {
		w := &r.weighings[i]
		d.UsedAs, d.Why = r.fate(w)
		d.Counts, d.Sample = d.Why == "", r.sampleOf(w)
	}
	return d
}

func (r *Run) attemptData(e record.Entry) DataAttempt {
	d := DataAttempt{Entry: e.JSON}
	if i := slices.IndexFunc(r.Steps, func(s RunStep) bool { return s.ID == e.ID }); i >= 0 {
		if d.Counts = r.Steps[i].Counts; r.Steps[i].Step != "" {
			d.Label = r.label(r.Steps[i].RunStep)
		}
	}
	return d
}

func signatureData(e record.Entry, stands []standing) DataSignature {
	d := DataSignature{Entry: e.JSON}
	for _, s := range stands {
		if s.sig.ID == e.ID {
			d.Name, d.Time, d.Meaning, d.InForce = s.sig.Name, zoned(s.sig.Stamp), s.sig.Meaning, s.stands == force
			if !d.InForce {
				d.Why = s.stands
			}
		}
	}
	return d
}

// dataOf writes the data of a run. Entries stand in it byte for byte, on one line: an indent would go into them.
func dataOf(r *Run) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // of entries too, whose bytes are theirs
	err := e.Encode(r.Data())
	return b.Bytes(), err
}
