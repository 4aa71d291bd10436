package format

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/template"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// TextTemplate is a text of the user's own.
type TextTemplate struct {
	Text string `yaml:"text" desc:"The text, with fields of the entry in double braces, such as \"{{.balance.id}};{{.value.digits}};{{.value.unit}}\\r\\n\"."`
	File string `yaml:"file" desc:"In place of text: the absolute path of a file with it. It is read when weighpost starts or takes over another configuration."`
	Type string `yaml:"type" desc:"Media type that destinations are told." default:"text/plain; charset=utf-8"`
}

const plainText = "text/plain; charset=utf-8"

// What filling in one entry may cost. A template that needs more refuses the entry.
const (
	maxFilled = 256 << 10 // bytes of the body
	maxSteps  = 100_000   // pieces of the template that are carried out, and commands in them, again in each round of a loop
	maxMade   = 4 << 20   // bytes that functions give, together
	maxPiece  = 64 << 10  // bytes that one function gives
)

func checkTemplate(c *Choice, r *strict.Report, _ Use) {
	t := &c.Template
	if t.Type == "" || strings.ContainsFunc(t.Type, func(c rune) bool { return c < ' ' || c > '~' }) || !strings.Contains(t.Type, "/") {
		r.At("type").Fault(fmt.Sprintf("%.60q is no media type", t.Type), plainText)
	}
	if !checkOneText(r, "text", t.Text, t.File, "a text with fields, such as text: \"{{.balance.id}};{{.value.digits}}\\r\\n\"") {
		return
	}
	text, err := oneText(t.Text, t.File)
	if err == nil {
		_, err = compile(string(text))
	}
	if err != nil {
		r.At(writtenKey("text", t.File)).Fault(err.Error(), "see weighpost help formats")
	}
}

// filled writes entries by a template of the user's own. Values are texts as the entry has them, digits as printed; only
// true and false are not. A field that the entry does not have, that has no value, or that is no single value refuses the entry.
//
// A template reaches nothing but the entry: no file, no network, no clock, no method of a Go value; it calls the functions of
// pureFuncs and the few of text/template's own in builtins. It cannot call itself, and its steps and bytes are counted.
type filled struct {
	t         *template.Template
	mediaType string
}

func openTemplate(c *Choice, _ sinks.Env) (Format, error) {
	text, err := oneText(c.Template.Text, c.Template.File)
	if err != nil {
		return nil, err
	}
	t, err := compile(string(text))
	if err != nil {
		return nil, fmt.Errorf("the template cannot be used: %w", err)
	}
	return &filled{t, cmp.Or(c.Template.Type, plainText)}, nil
}

func (f *filled) Carries(record.Kind) bool { return true }
func (f *filled) Type() string             { return f.mediaType }

// Ext is that of the media type, as far as it is a common one.
func (f *filled) Ext() string {
	kind, _, _ := strings.Cut(f.mediaType, ";")
	switch strings.ToLower(strings.TrimSpace(kind)) {
	case "application/json":
		return ".json"
	case "application/xml", "text/xml":
		return ".xml"
	case "text/csv":
		return ".csv"
	}
	return ".txt"
}

func (f *filled) Entry(e record.Entry) (Payload, error) {
	body, err := f.fill(e)
	return Payload{Type: f.mediaType, Body: body}, err
}

func (f *filled) Stream(w io.Writer) (Stream, error) { return &bodyStream{w: w, body: f.fill}, nil }

func (f *filled) fill(e record.Entry) ([]byte, error) {
	tree, err := treeOf(e.JSON)
	if err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s cannot be read: %w", e.ID, err)}
	}
	t, err := f.t.Clone()
	if err != nil {
		return nil, NotHeld{fmt.Errorf("the template cannot be used: %w", err)}
	}
	b := &budget{steps: maxSteps, made: maxMade}
	out := &bounded{}
	err = t.Funcs(b.funcs()).Execute(out, tree)
	if err == nil {
		err = out.whole()
	}
	if err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s does not go into the template: %s", e.ID, sentence(err))}
	}
	return out.b.Bytes(), nil
}

// sentence takes the name of the template and the names of Go types out of an error of text/template.
func sentence(err error) string {
	said := strings.TrimPrefix(err.Error(), "template: "+templateName+":")
	return strings.NewReplacer("*format.absent", "no value", "format.fields", "something with fields", "format.items", "a list").Replace(said)
}

// bounded is what a template writes to.
type bounded struct{ b bytes.Buffer }

func (o *bounded) Write(p []byte) (int, error) {
	if o.b.Len()+len(p) > maxFilled {
		return 0, fmt.Errorf("it would have more than %d bytes", maxFilled)
	}
	return o.b.Write(p)
}

// whole says what was printed that has no text. Marks and broken characters are not UTF-8, which texts of an entry always are.
func (o *bounded) whole() error {
	switch {
	case bytes.IndexByte(o.b.Bytes(), absentMark) >= 0:
		return fmt.Errorf("it prints a field that has no value")
	case bytes.IndexByte(o.b.Bytes(), partsMark) >= 0:
		return fmt.Errorf("it prints something that has fields or items of its own, and not one of them")
	case !utf8.Valid(o.b.Bytes()):
		return fmt.Errorf("it is not UTF-8")
	}
	return nil
}

// These bytes never occur in UTF-8.
const (
	absentMark = 0xff
	partsMark  = 0xfe
)

// absent stands for null, which is false in a condition.
type absent struct{}

// Format prints the mark, so that nobody takes the word that Go has for a missing value for one.
func (*absent) Format(s fmt.State, _ rune) { mark(s, absentMark) }

// fields and items are objects and lists.
type (
	fields map[string]any
	items  []any
)

// Format prints the mark.
func (fields) Format(s fmt.State, _ rune) { mark(s, partsMark) }

// Format prints the mark.
func (items) Format(s fmt.State, _ rune) { mark(s, partsMark) }

func mark(w io.Writer, c byte) {
	_, _ = w.Write([]byte{c}) // to memory
}

// treeOf reads an entry as fields and items, with numbers as texts.
func treeOf(raw []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, err
	}
	tree, ok := asTexts(v).(fields)
	if !ok {
		return nil, fmt.Errorf("it is no object")
	}
	return tree, nil
}

func asTexts(v any) any {
	switch v := v.(type) {
	case json.Number:
		return v.String()
	case nil:
		return (*absent)(nil)
	case map[string]any:
		all := make(fields, len(v))
		for name, one := range v {
			all[name] = asTexts(one)
		}
		return all
	case []any:
		all := make(items, len(v))
		for i, one := range v {
			all[i] = asTexts(one)
		}
		return all
	}
	return v
}
