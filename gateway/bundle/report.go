package bundle

import (
	"bufio"
	_ "embed"
	"errors"
	"html/template"
	"io"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

//go:embed report.html
var reportText string

var reportTemplate = template.Must(template.New("report").Parse(reportText))

// report writes the entries for people. It says what they say and nothing else, so that whoever verifies can make it again.
func report(w io.Writer, a *About, c *content, next func() (record.Entry, error)) error {
	out := bufio.NewWriter(w)
	if err := reportTemplate.ExecuteTemplate(out, "head", reportHead(a, c)); err != nil {
		return err
	}
	for {
		e, err := next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if err := reportEntry(out, e, c); err != nil {
			return err
		}
	}
	if err := reportTemplate.ExecuteTemplate(out, "foot", a); err != nil {
		return err
	}
	return out.Flush()
}

// head is what stands before the entries.
type head struct {
	*About
	Whole      string
	State      string
	Title      string
	Items      []string
	Verdict    string
	Results    []result
	Was        []result // as the run ended, where it was corrected since
	Signatures []signed
}

type result struct{ Name, Item, Value, Limit, Verdict, Allowed string }

// signed is a signature as 21 CFR 11.50 wants it shown: printed name, date and time, meaning.
type signed struct{ Name, Role, Meaning, At, Statement, Over string }

func reportHead(a *About, c *content) head {
	h := head{About: a, Whole: a.What(), State: c.state}
	results, verdict := c.stand()
	h.Results, h.Verdict = resultsOf(results), verdict
	if c.begun != nil {
		h.Title = c.begun.Run.Procedure.Name
		for _, i := range c.begun.Items {
			h.Items = append(h.Items, itemOf(&i))
		}
	}
	if c.corrected != nil && c.ended != nil {
		h.Was = resultsOf(c.ended.Results)
	}
	for i := range c.signatures {
		one := signedOf(&c.signatures[i].Signature)
		one.Over = c.signatures[i].over
		h.Signatures = append(h.Signatures, one)
	}
	return h
}

func itemOf(i *record.RunItem) string {
	if i == nil {
		return ""
	}
	var parts []string
	for _, one := range [][2]string{{"sample ", i.Sample}, {"lot ", i.Lot}, {"container ", i.Container}} {
		if one[1] != "" {
			parts = append(parts, one[0]+one[1])
		}
	}
	return strings.Join(parts, ", ")
}

func resultsOf(list []record.RunResult) (all []result) {
	for _, r := range list {
		name, value := r.Label, strings.TrimSpace(r.Digits+" "+r.Unit)
		if name == "" {
			name = r.Name
		}
		if r.Unit == "1" {
			value = r.Digits
		}
		if value == "" {
			value = r.Text
		}
		all = append(all, result{name, itemOf(r.Item), value, r.Limit, r.Verdict, r.Allowed})
	}
	return all
}

func signedOf(s *record.Signature) signed {
	return signed{Name: s.Name, Role: s.Role, Meaning: s.Meaning, At: localTime(s.Stamp), Statement: s.Statement}
}

// localTime writes the instant of a stamp as clocks showed it at its place, with the offset: no zone is looked up.
func localTime(s record.Stamp) string {
	at, known := s.There()
	if !known {
		return at.Format("2006-01-02 15:04:05") + " UTC"
	}
	return at.Format("2006-01-02 15:04:05 -07:00")
}

// row is one entry in the report.
type row struct {
	tell.Row
	Words  string
	Signed *signed
}

func reportEntry(w io.Writer, e record.Entry, c *content) error {
	r, err := tell.RowOf(e, &c.corrections)
	if err != nil {
		return err
	}
	one := row{Row: r, Words: tell.Kind(e.Kind)}
	if e.Kind == record.KindSignature {
		s, err := body[record.Signature](e)
		if err != nil {
			return err
		}
		shown := signedOf(&s)
		one.Signed = &shown
	}
	return reportTemplate.ExecuteTemplate(w, "entry", one)
}
