package folder

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// maxElement is the longest name of a file or folder, in bytes; file systems take 255.
const maxElement = 200

// fields are what a name can hold, each made safe where it stands. Times are UTC but for local_day, which is the date at the
// place of the balance.
var fields = map[string]func(*facts) string{
	"id":          func(f *facts) string { return format.SafeID(f.id()) },
	"site":        func(f *facts) string { return format.SafeName(f.text(f.field("site"))) },
	"incarnation": func(f *facts) string { return format.SafeName(f.part(1)) },
	"balance":     func(f *facts) string { return format.SafeName(f.balance()) },
	"number":      func(f *facts) string { return format.SafeName(f.part(3)) },
	"seq":         func(f *facts) string { return fmt.Sprintf("%012d", f.seq()) },
	"kind":        func(f *facts) string { return format.SafeName(string(f.entry.Kind)) },
	"sample":      func(f *facts) string { return learnt(f.context().Sample) },
	"person":      func(f *facts) string { return learnt(f.context().Person) },
	"method":      func(f *facts) string { return learnt(f.context().Method) },
	"run":         func(f *facts) string { return learnt(f.context().Run) },
	"lot":         func(f *facts) string { return learnt(f.context().Lot) },
	"report":      func(f *facts) string { return format.SafeName(f.text(f.field("report"))) }, // of report-issued: its number
	"year":        func(f *facts) string { return f.at("2006") },
	"month":       func(f *facts) string { return f.at("2006-01") },
	"day":         func(f *facts) string { return f.at("2006-01-02") },
	"hour":        func(f *facts) string { return f.at("2006-01-02T15") },
	"local_day":   func(f *facts) string { return f.localDay() },
}

// FieldNames lists what names can hold, for people.
func FieldNames() string { return "{" + strings.Join(slices.Sorted(maps.Keys(fields)), "}, {") + "}" }

// Batch is the field that stands for the name of a closed batch. A name that has it has site beside it and no field of entries.
const Batch = "batch"

func learnt(l *record.Learnt) string {
	if l == nil {
		return format.SafeName("")
	}
	return format.SafeName(l.ID)
}

// Name is a parsed name of files: elements of a path, each of literal pieces and fields.
type Name [][]piece

type piece struct{ literal, field string }

// ParseName reads a name with fields in braces, such as {balance}/{day}/{id}.json. The error goes on after "the name".
func ParseName(name string) (Name, error) {
	var t Name
	for element := range strings.SplitSeq(name, "/") {
		if element == "" {
			return nil, errors.New("has an empty part before, after or between slashes")
		}
		if strings.HasPrefix(element, ".") || strings.HasSuffix(element, ".") {
			return nil, fmt.Errorf("has the part %q: a dot at either end hides the file, leaves the folder or is lost on Windows", element)
		}
		pieces, err := parseElement(element)
		if err != nil {
			return nil, err
		}
		t = append(t, pieces)
	}
	if first := t[0][0].literal; len(t[0]) == 1 && slices.Contains(reserved, strings.ToLower(first)) {
		return nil, fmt.Errorf("begins with %s, where weighpost keeps files of its own", first)
	}
	if t.Uses(Batch) {
		for field := range fields {
			if field != "site" && t.Uses(field) {
				return nil, fmt.Errorf("holds {batch}, which is a file of many entries, and {%s}, which is a field of one", field)
			}
		}
	}
	return t, nil
}

func parseElement(element string) ([]piece, error) {
	var pieces []piece
	for element != "" {
		literal, rest, opens := strings.Cut(element, "{")
		for _, c := range literal {
			if format.SafeName("x"+string(c)+"x") != "x"+string(c)+"x" {
				return nil, fmt.Errorf("holds %q, which not every file system takes", c)
			}
		}
		if literal != "" {
			pieces = append(pieces, piece{literal: literal})
		}
		if !opens {
			return pieces, nil
		}
		field, after, closes := strings.Cut(rest, "}")
		if !closes {
			return nil, fmt.Errorf("opens a brace before %q and does not close it", rest)
		}
		if fields[field] == nil && field != Batch {
			return nil, fmt.Errorf("names the field %q, which there is not", field)
		}
		pieces = append(pieces, piece{field: field})
		element = after
	}
	return pieces, nil
}

// Uses says whether a name holds a field.
func (t Name) Uses(field string) bool {
	return slices.ContainsFunc(t, func(e []piece) bool { return slices.Contains(e, piece{field: field}) })
}

// TellsApart says whether each entry has a name of its own: by its id or, in files of reports, by the number of the report.
func (t Name) TellsApart(c *format.Choice) bool {
	return t.Uses("id") || t.Uses("report") && c.Format == format.NameReport
}

// Render gives the name of an entry's file, with slashes, within the folder and safe on every system.
func (t Name) Render(e record.Entry) (string, error) {
	if t == nil {
		return "", errors.New("entries have no files of their own here: the name of the files holds {batch}")
	}
	f := facts{entry: e}
	name := t.render(func(field string) string { return fields[field](&f) })
	if f.err != nil {
		return "", fmt.Errorf("entry %s cannot be read: %w", e.ID, f.err)
	}
	return name, nil
}

// RenderBatch gives the name of the file of a closed batch.
func (t Name) RenderBatch(batch, site string) (string, error) {
	if t == nil {
		return "", errors.New("has no {batch} in it, which tells closed files apart")
	}
	return t.render(func(field string) string {
		if field == Batch {
			return format.SafeName(batch)
		}
		return format.SafeName(site)
	}), nil
}

func (t Name) render(value func(field string) string) string {
	elements := make([]string, len(t))
	for i, pieces := range t {
		var b strings.Builder
		for _, p := range pieces {
			b.WriteString(p.literal)
			if p.field != "" {
				b.WriteString(value(p.field))
			}
		}
		elements[i] = whole(b.String())
	}
	if slices.Contains(reserved, strings.ToLower(elements[0])) { // by the text of a person
		elements[0] = fmt.Sprintf("%%%02X", elements[0][0]) + elements[0][1:]
	}
	return strings.Join(elements, "/")
}

// whole makes safe what pieces have become together: C and {sample} can make CON, and many fields a name that is too long.
func whole(element string) string {
	if format.IsDevice(element) {
		element = fmt.Sprintf("%%%02X", element[0]) + element[1:]
	}
	if len(element) <= maxElement {
		return element
	}
	hash := sha256.Sum256([]byte(element))
	extension := path.Ext(element)
	if len(extension) > 16 {
		extension = ""
	}
	tail := "%sha256-" + hex.EncodeToString(hash[:16]) + extension
	head := element[:maxElement-len(tail)]
	if i := strings.LastIndexByte(head, '%'); i > len(head)-3 {
		head = head[:i]
	}
	return head + tail
}
