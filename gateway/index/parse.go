package index

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Flags are a filter as a command takes it. Its names are those of ParseQuery.
type Flags struct {
	From    string   `placeholder:"TIME" help:"Only entries stamped at this time or later: 2026-11-25 (UTC) or 2026-11-25T10:04:05Z."`
	To      string   `placeholder:"TIME" help:"Only entries stamped before this time; a date means up to its end."`
	Kind    []string `placeholder:"KIND" help:"Only entries of these kinds: weighing, result, unread …"`
	Balance string   `placeholder:"ID" help:"Only entries about this balance."`
	Person  string   `placeholder:"ID" help:"Only entries about this person, or of what this person did."`
	Sample  string   `placeholder:"ID" help:"Only entries about this sample."`
	Lot     string   `placeholder:"ID" help:"Only entries about this lot."`
	Method  string   `placeholder:"ID" help:"Only entries about this method."`
	Run     string   `placeholder:"ID" help:"Only entries about this run."`
	Text    string   `placeholder:"WORDS" help:"Only entries that hold all these words; WORD* stands for every word that begins so."`
	Clock   string   `placeholder:"STATE" help:"Only entries whose stamp says this of the clock: checked, holdover or unchecked."`
	After   uint64   `placeholder:"SEQ" help:"Only entries after this one."`
	Before  uint64   `placeholder:"SEQ" help:"Only entries before this one."`
}

// Filter reads the flags. The error is a sentence that names the flag.
func (f Flags) Filter() (Filter, error) {
	v := url.Values{"kind": f.Kind}
	for name, value := range map[string]string{"from": f.From, "to": f.To, "balance": f.Balance, "person": f.Person,
		"sample": f.Sample, "lot": f.Lot, "method": f.Method, "run": f.Run, "text": f.Text, "clock": f.Clock} {
		if value != "" {
			v.Set(name, value)
		}
	}
	filter, err := ParseQuery(v)
	filter.After, filter.Before = f.After, f.Before
	if err == nil {
		err = filter.Validate()
	}
	return filter, err
}

// Names are the parameters of a filter, in the order in which they are told of.
var Names = []string{"from", "to", "kind", "balance", "person", "sample", "lot", "method", "run", "text", "clock", "after", "before"}

// ParseQuery reads a filter from the parameters of a request. kind may be given several times, or once with commas; any
// other once. A parameter that is empty is as one that is not there. Names that the caller reads itself are named in also;
// all others are refused. The error is a sentence.
func ParseQuery(v url.Values, also ...string) (Filter, error) {
	var f Filter
	texts := map[string]*string{"balance": &f.Balance, "person": &f.Person, "sample": &f.Sample, "lot": &f.Lot,
		"method": &f.Method, "run": &f.Run, "text": &f.Text}
	for _, name := range sortedNames(v) {
		values := v[name]
		if slices.Contains(also, name) {
			continue
		}
		if !slices.Contains(Names, name) {
			return f, fmt.Errorf("%.40q is unknown: there are %s", name, strings.Join(append(slices.Clone(Names), also...), ", "))
		}
		if name != "kind" && len(values) > 1 {
			return f, fmt.Errorf("%s is given %d times: give it once", name, len(values))
		}
		if len(values) == 0 || name != "kind" && values[0] == "" {
			continue
		}
		var err error
		switch name {
		case "from":
			f.From, err = parseTime(values[0], false)
		case "to":
			f.To, err = parseTime(values[0], true)
		case "kind":
			f.Kinds, err = parseKinds(values)
		case "after":
			f.After, err = parseSeq(values[0])
		case "clock":
			f.Clock, err = parseClock(values[0])
		case "before":
			f.Before, err = parseSeq(values[0])
		default:
			*texts[name] = values[0]
		}
		if err != nil {
			return f, fmt.Errorf("%s %w", name, err)
		}
	}
	return f, f.Validate()
}

func sortedNames(v url.Values) []string {
	var names []string
	for name := range v {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// parseTime reads an instant (RFC 3339), or a date, which stands for its beginning or its end in UTC.
func parseTime(s string, end bool) (time.Time, error) {
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		if end {
			t = t.AddDate(0, 0, 1)
		}
		return t, nil
	}
	var u record.UTC
	if err := u.UnmarshalJSON(strconv.AppendQuote(nil, s)); err != nil {
		return time.Time{}, fmt.Errorf("is %.40q: write a date, 2026-11-25, or an instant, 2026-11-25T10:04:05Z", s)
	}
	return u.Time(), nil
}

func parseKinds(values []string) ([]record.Kind, error) {
	var kinds []record.Kind
	for _, value := range values {
		for name := range strings.SplitSeq(value, ",") {
			k := record.Kind(strings.TrimSpace(name))
			if k == "" || slices.Contains(kinds, k) {
				continue
			}
			if !slices.Contains(record.Kinds(), k) {
				return nil, fmt.Errorf("is %.40q: there is no such kind of entry. There are: %s", k, kindNames())
			}
			kinds = append(kinds, k)
		}
	}
	slices.Sort(kinds)
	return kinds, nil
}

func kindNames() string {
	var names []string
	for _, k := range record.Kinds() {
		names = append(names, string(k))
	}
	return strings.Join(names, ", ")
}

func parseClock(s string) (string, error) {
	if s != record.ClockChecked && s != record.ClockHoldover && s != record.ClockUnchecked {
		return "", fmt.Errorf("is %.40q: it is checked, holdover or unchecked", s)
	}
	return s, nil
}

func parseSeq(s string) (uint64, error) {
	n, err := strconv.ParseUint(s, 10, 63)
	if err != nil {
		return 0, fmt.Errorf("is %.40q: write the sequence of an entry, a whole number", s)
	}
	return n, nil
}
