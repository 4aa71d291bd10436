package format

import (
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"regexp"
	"strings"
	"unicode"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// CloudEvents says how entries become events.
type CloudEvents struct {
	Mode       string `yaml:"mode" desc:"structured: everything in one JSON document; binary: the attributes in headers or user properties, and the entry alone in the body." enum:"structured,binary" default:"structured"`
	Source     string `yaml:"source" desc:"The absolute URI that names this site for all who get its events, such as https://lab.example/north."`
	TypePrefix string `yaml:"type_prefix" desc:"Your domain's name backwards, with which the types of your events begin: example.lab makes example.lab.weighing.v1."`
	Schemas    string `yaml:"schemas" desc:"Where you publish the JSON Schemas of entries: the attribute dataschema is this URI and the name of the file, such as weighing.schema.json. Left out: there is no dataschema."`
}

// domain is a name in reverse domain order. CloudEvents 1.0.2, section 3.1.1, type: "SHOULD be prefixed with a reverse-DNS name".
var domain = regexp.MustCompile(`^[a-z][a-z0-9-]*(\.[a-z0-9][a-z0-9-]*)+$`)

func checkCloudEvents(c *Choice, r *strict.Report, use Use) {
	e := &c.CloudEvents
	switch u, err := url.Parse(e.Source); {
	case e.Source == "":
		r.At("source").Fault("the source is missing", "an absolute URI, such as https://lab.example/north")
	case err != nil || !u.IsAbs() || !attribute(e.Source) || strings.Contains(e.Source, " "):
		r.At("source").Fault(fmt.Sprintf("%.80q is no absolute URI", e.Source), "one such as https://lab.example/north")
	}
	switch {
	case e.TypePrefix == "":
		r.At("type_prefix").Fault("the prefix of the types is missing", "your domain's name backwards, such as example.lab")
	case !domain.MatchString(e.TypePrefix) || len(e.TypePrefix) > 200:
		r.At("type_prefix").Fault(fmt.Sprintf("%.80q is no domain's name backwards", e.TypePrefix), "one such as example.lab, of a to z, 0 to 9, dash and dots")
	}
	if u, err := url.Parse(e.Schemas); e.Schemas != "" && (err != nil || !u.IsAbs() || !strings.HasSuffix(e.Schemas, "/")) {
		r.At("schemas").Fault(fmt.Sprintf("%.80q is no absolute URI that ends in a slash", e.Schemas), "one such as https://lab.example/schemas/")
	}
	switch e.Mode {
	case "structured":
	case "binary":
		if use == Together {
			r.At("mode").Fault("binary puts the attributes of one event beside the body, and many entries become one body here", "structured")
		}
	default:
		r.At("mode").Fault(fmt.Sprintf("%.40q is no mode", e.Mode), "structured or binary")
	}
}

// events writes entries as CloudEvents 1.0.2, of which the data is the entry, byte for byte.
//
//	id            the entry's id: the same at every attempt
//	source        from the configuration
//	type          prefix, kind and version of the entry: example.lab.weighing.v1
//	subject       the balance, where the entry is about one
//	time          the instant of the stamp
//	dataschema    only where the configuration says where the schemas are
//	sequence      position in the journal, 20 digits: sorts as text (extension Sequence)
//	partitionkey  the balance: those who share the work keep the order of each (extension Partitioning)
//
// The extension recordedtime is left out: an entry has one stamp, and no second instant at which it was recorded.
type events struct {
	c      CloudEvents
	inBody bool
}

const (
	eventType = "application/cloudevents+json"
	batchType = "application/cloudevents-batch+json"
	// eventPrefix opens the names of attributes in headers of HTTP (HTTP Protocol Binding 1.0.2, section 3.1.3.1) and NATS. The MQTT
	// binding (section 3.1.3) has the plain names as user properties.
	eventPrefix = "ce-"
)

func openCloudEvents(c *Choice, _ sinks.Env) (Format, error) {
	if c.CloudEvents.Source == "" || c.CloudEvents.TypePrefix == "" {
		return nil, fmt.Errorf("CloudEvents need a source and a type_prefix")
	}
	return events{c: c.CloudEvents, inBody: c.CloudEvents.Mode != "binary"}, nil
}

func (events) Carries(record.Kind) bool { return true }
func (events) Type() string             { return batchType }
func (events) Ext() string              { return ".json" }

func (f events) Entry(e record.Entry) (Payload, error) {
	attributes, err := f.attributes(e)
	if err != nil {
		return Payload{}, err
	}
	if !f.inBody {
		return Payload{Type: "application/json", Attributes: attributes, Prefix: eventPrefix, Body: JSON(e)}, nil
	}
	return Payload{Type: eventType, Body: structured(attributes, e)}, nil
}

// Stream writes events in the batched mode (JSON Event Format 1.0.2, section 4).
func (f events) Stream(w io.Writer) (Stream, error) {
	if !f.inBody {
		return nil, fmt.Errorf("CloudEvents in binary mode cannot be put into one body: use the structured mode")
	}
	return &arrayStream{w: w, body: func(e record.Entry) ([]byte, error) {
		attributes, err := f.attributes(e)
		if err != nil {
			return nil, err
		}
		return structured(attributes, e), nil
	}}, nil
}

func (f events) attributes(e record.Entry) ([]sinks.Attribute, error) {
	var about struct {
		Stamp, To *struct{ UTC *record.UTC }
	}
	if err := json.Unmarshal(e.JSON, &about); err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s cannot be read: %w", e.ID, err)}
	}
	list := []sinks.Attribute{
		{Name: "specversion", Value: "1.0"}, {Name: "id", Value: e.ID}, {Name: "source", Value: f.c.Source},
		{Name: "type", Value: f.c.TypePrefix + "." + string(e.Kind) + ".v1"},
	}
	if e.Balance != "" {
		list = append(list, sinks.Attribute{Name: "subject", Value: e.Balance})
	}
	switch {
	case about.Stamp != nil && about.Stamp.UTC != nil:
		list = append(list, sinks.Attribute{Name: "time", Value: about.Stamp.UTC.String()})
	case about.To != nil && about.To.UTC != nil:
		list = append(list, sinks.Attribute{Name: "time", Value: about.To.UTC.String()})
	}
	if f.c.Schemas != "" {
		list = append(list, sinks.Attribute{Name: "dataschema", Value: f.c.Schemas + schemaFile(e.Kind)})
	}
	list = append(list, sinks.Attribute{Name: "sequence", Value: fmt.Sprintf("%020d", e.Seq)})
	if e.Balance != "" {
		list = append(list, sinks.Attribute{Name: "partitionkey", Value: e.Balance})
	}
	for _, a := range list {
		if !attribute(a.Value) {
			return nil, NotHeld{fmt.Errorf("entry %s: the attribute %s would be %.60q, which no CloudEvent may hold", e.ID, a.Name, a.Value)}
		}
	}
	return list, nil
}

// attribute says whether a text may be an attribute: not empty, and no control characters, surrogates or non-characters
// (CloudEvents 1.0.2, section 2.5, String).
func attribute(text string) bool {
	for _, r := range text {
		if unicode.IsControl(r) || r == unicode.ReplacementChar || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef {
			return false
		}
	}
	return text != ""
}

// structured writes an event as one JSON document, with the entry's exact bytes as its data.
func structured(attributes []sinks.Attribute, e record.Entry) []byte {
	b := make([]byte, 0, len(e.JSON)+512)
	b = append(b, '{')
	for _, a := range attributes {
		b = append(b, '"')
		b = append(b, a.Name...)
		b = append(b, `":`...)
		b = appendJSON(b, a.Value)
		b = append(b, ',')
	}
	b = append(b, `"datacontenttype":"application/json","data":`...)
	b = append(b, e.JSON...)
	return append(b, '}')
}

func appendJSON(dst []byte, text string) []byte {
	b, err := json.Marshal(text)
	if err != nil {
		panic("format: a text cannot be written as JSON: " + err.Error()) // strings always can
	}
	return append(dst, b...)
}

// schemaFile is the file in which the schema of a kind of entry is published.
func schemaFile(k record.Kind) string {
	if k == record.KindResult {
		k = record.KindWeighing
	}
	return string(k) + ".schema.json"
}
