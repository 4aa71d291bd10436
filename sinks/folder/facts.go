package folder

import (
	"bytes"
	"encoding/json"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// facts is what names are made of. Kinds of entry differ in what they have; what is absent becomes %none. Each is looked up only when a
// name asks for it: for lines that are added to a file, a name is made for every entry, and reading all of one costs more than writing it.
type facts struct {
	entry record.Entry
	err   error // of what could not be read
}

// field finds a value in the entry.
func (f *facts) field(name string) json.RawMessage {
	value, ok := record.Field(f.entry.JSON, name)
	if ok {
		return value
	}
	var all struct{ ID, Seq, Site, Balance, Context, Stamp, To, Report json.RawMessage }
	if err := json.Unmarshal(f.entry.JSON, &all); err != nil {
		f.err = err
		return nil
	}
	return map[string]json.RawMessage{"id": all.ID, "seq": all.Seq, "site": all.Site, "balance": all.Balance, "context": all.Context,
		"stamp": all.Stamp, "to": all.To, "report": all.Report}[name]
}

// read reads a value. One that is absent leaves into as it is.
func (f *facts) read(value json.RawMessage, into any) {
	if len(value) == 0 {
		return
	}
	if err := json.Unmarshal(value, into); err != nil {
		f.err = err
	}
}

func (f *facts) text(value json.RawMessage) (text string) {
	if n := len(value); n >= 2 && value[0] == '"' && !bytes.ContainsFunc(value, func(r rune) bool { return r < ' ' || r > '~' || r == '\\' }) {
		return string(value[1 : n-1])
	}
	f.read(value, &text)
	return text
}

func (f *facts) id() string { return f.text(f.field("id")) }

func (f *facts) seq() (n uint64) {
	f.read(f.field("seq"), &n)
	return n
}

func (f *facts) balance() string {
	var b struct{ ID string }
	f.read(f.field("balance"), &b)
	return b.ID
}

func (f *facts) context() (c record.Context) {
	f.read(f.field("context"), &c)
	return c
}

func (f *facts) part(i int) string {
	parts := strings.Split(f.id(), "/")
	if len(parts) != 4 {
		return ""
	}
	return parts[i]
}

// stamp is the entry's, or that of the end of what it is about; nil where it has none.
func (f *facts) stamp() json.RawMessage {
	for _, name := range []string{"stamp", "to"} {
		if s := f.field(name); len(s) > 0 && string(s) != "null" {
			return s
		}
	}
	return nil
}

// when is the instant of a stamp.
func (f *facts) when(stamp json.RawMessage) time.Time {
	utc, ok := record.Field(stamp, "utc")
	if !ok {
		var s struct{ UTC json.RawMessage }
		f.read(stamp, &s)
		utc = s.UTC
	}
	var at record.UTC
	if len(utc) > 0 && string(utc) != "null" {
		if err := at.UnmarshalJSON(utc); err != nil {
			f.err = err
		}
	}
	return at.Time().UTC()
}

func (f *facts) at(form string) string {
	stamp := f.stamp()
	if stamp == nil {
		return format.SafeName("")
	}
	return f.when(stamp).Format(form)
}

func (f *facts) localDay() string {
	stamp := f.stamp()
	if stamp == nil {
		return format.SafeName("")
	}
	at := f.when(stamp)
	var s struct{ Zone string }
	f.read(stamp, &s)
	if there, known := (record.Stamp{UTC: record.UTC(at), Zone: s.Zone}).There(); known {
		at = there
	}
	return at.Format("2006-01-02")
}
