package format

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/laboratory"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Names of the formats, as configurations write them.
const (
	NameJSON   = "json"   // the entry as it is in the journal
	NameNDJSON = "ndjson" // the same, one line for each
	NameCSV    = "csv"    // one row for each weighing or result, RFC 4180
	NameLine   = "line"   // as a balance prints, by a layout run backwards

	NameCloudEvents = "cloudevents" // CloudEvents 1.0
	NameTemplate    = "template"    // a text of the user's own
	NameLaboratory  = "laboratory"  // the Allotrope Simple Model, weighings
	NameParquet     = "parquet"     // batches for data tools
	NameReport      = "report"      // the files of reports that were issued
)

// Choice is the part of a sink's configuration that says how entries are written. Sinks hold it inline, begin with
// DefaultChoice, and call Check and Open. What belongs to one format only is a group of keys of that format's name.
type Choice struct {
	Format string     `yaml:"format" desc:"How entries are written. json: as they are in the journal, byte for byte; ndjson: the same, one line for each; csv: one row for each weighing or result; line: as a balance prints them, by a layout; cloudevents: as CloudEvents 1.0; template: as a text of your own; laboratory: as documents of the Allotrope Simple Model; parquet: batches for data tools; report: of each report that was issued its file, a PDF or JSON, for entries: [report-issued]." enum:"json,ndjson,csv,line,cloudevents,template,laboratory,parquet,report" default:"json"`
	CSV    CSVDialect `yaml:"csv" desc:"How rows are written, for format: csv."`
	Line   LineForm   `yaml:"line" desc:"How a weighing is printed, for format: line."`

	CloudEvents CloudEvents       `yaml:"cloudevents" desc:"What events say of themselves, for format: cloudevents."`
	Template    TextTemplate      `yaml:"template" desc:"A text of your own, for format: template."`
	Laboratory  laboratory.Config `yaml:"laboratory" desc:"What documents of the laboratory model say, for format: laboratory."`
}

// DefaultChoice is what applies where the file says nothing.
func DefaultChoice() Choice {
	return Choice{Format: NameJSON, CSV: defaultDialect(), CloudEvents: CloudEvents{Mode: "structured"}, Template: TextTemplate{Type: plainText}, Laboratory: laboratory.Default()}
}

// Use is how a sink hands entries over. Not every format can be used in every way.
type Use uint8

const (
	OneByOne Use = iota // Format.Entry, and what it gives stands alone
	Together            // Format.Stream: entries of any number as one body
	Added               // Rows: rows are added to a body that is there already, and found again in it
)

// form is what is known of a format before it is opened.
type form struct {
	carries func(record.Kind) bool
	uses    []Use
	check   func(c *Choice, r *strict.Report, use Use)
	open    func(c *Choice, env sinks.Env) (Format, error)
}

func every(record.Kind) bool { return true }

// forms are all formats. Their names stand in the enum of Choice.Format as well.
var forms = map[string]form{
	NameJSON:   {carries: every, uses: []Use{OneByOne, Together}, open: openJSON},
	NameNDJSON: {carries: every, uses: []Use{OneByOne, Together, Added}, open: openNDJSON},
	NameCSV:    {carries: HasCSV, uses: []Use{OneByOne, Together, Added}, check: checkCSV, open: openCSV},
	NameLine:   {carries: HasCSV, uses: []Use{OneByOne, Together}, check: checkLine, open: openLine},

	NameCloudEvents: {carries: every, uses: []Use{OneByOne, Together}, check: checkCloudEvents, open: openCloudEvents},
	NameTemplate:    {carries: every, uses: []Use{OneByOne, Together}, check: checkTemplate, open: openTemplate},
	NameLaboratory:  {carries: isWeighing, uses: []Use{OneByOne}, check: checkLaboratory, open: openLaboratory},
	NameParquet:     {carries: every, uses: []Use{Together}, open: openParquet},
	NameReport:      {carries: isReport, uses: []Use{OneByOne}, open: openReport},
}

// names lists the formats for a use, in the order in which they are told to people.
func names(use Use) []string {
	var all []string
	for _, name := range []string{NameJSON, NameNDJSON, NameCSV, NameLine, NameCloudEvents, NameTemplate, NameLaboratory, NameParquet, NameReport} {
		if slices.Contains(forms[name].uses, use) {
			all = append(all, name)
		}
	}
	return all
}

// Check adds every fault to r, which stands where the sink's own keys do. use is how the sink hands entries over as it is
// configured; a format that cannot be used so is a fault.
func (c *Choice) Check(r *strict.Report, use Use) {
	f, known := forms[c.Format]
	switch {
	case !known:
		r.At("format").Fault(fmt.Sprintf("%.40q is no format", c.Format), list(names(use)))
	case !slices.Contains(f.uses, use):
		r.At("format").Fault(c.Format+" cannot be used here: "+useWords[use], list(names(use)))
	}
	for _, group := range groups {
		if at := r.At(group); at.Written() && group != c.Format {
			at.Fault("is only for format: "+group, "format: "+group+", or leave the keys out")
		}
	}
	if known && f.check != nil {
		f.check(c, r.At(c.Format), use)
	}
}

// groups are the formats that have keys of their own.
var groups = []string{NameCSV, NameLine, NameCloudEvents, NameTemplate, NameLaboratory}

var useWords = [...]string{
	OneByOne: "entries go out one by one",
	Together: "many entries become one body",
	Added:    "entries are added to a file that is there already",
}

// Can says whether the format can be used in a way.
func (c *Choice) Can(use Use) bool { return slices.Contains(forms[c.Format].uses, use) }

// Carries says which kinds of entry the format can hold; it is Format.Carries without opening it.
func (c *Choice) Carries(k record.Kind) bool {
	f, known := forms[c.Format]
	return known && f.carries(k)
}

// Open makes the format. An error means that Check would have found a fault.
func (c *Choice) Open(env sinks.Env) (Format, error) {
	f, known := forms[c.Format]
	if !known {
		return nil, fmt.Errorf("%.40q is no format: use %s", c.Format, list(names(OneByOne)))
	}
	return f.open(c, env)
}

// list writes names as a person would: json, ndjson or csv.
func list(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
