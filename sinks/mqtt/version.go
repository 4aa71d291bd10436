package mqtt

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Versions of MQTT, as configurations write them.
const (
	version3 = "3.1.1"
	version5 = "5"
)

func (c *Config) five() bool { return c.Version == version5 }

// checkVersion checks the version, and that nothing is set that the other one does not have.
func (c *Config) checkVersion(r *strict.Report) {
	if c.Version != version3 && c.Version != version5 {
		r.At("version").Fault(show(c.Version)+" is no version of MQTT that is spoken here", version3+" or "+version5)
	}
	if c.Choice.Format == format.NameCloudEvents && c.Choice.CloudEvents.Mode == "binary" && !c.five() {
		r.At("format").Fault("the attributes of events in binary mode go beside the body, and MQTT 3.1.1 carries bodies alone",
			"version: 5, or cloudevents: {mode: structured}")
	}
	switch d := c.Expiry.D(); {
	case d == 0:
	case !c.five():
		r.At("expiry").Fault("is given, and MQTT 3.1.1 has no such thing", "version: 5 beside it")
	case d < time.Second || d/time.Second > math.MaxUint32:
		r.At("expiry").Fault(d.String()+" is out of range", "1s or more")
	}
}

// client makes what speaks the version that is configured.
func (c *Config) client(network *conn, ping time.Duration, take func(arrival)) *client {
	if c.five() {
		return newClient5(network, ping, take)
	}
	return newClient(network, ping, take)
}

// properties writes what goes beside an entry in MQTT 5.
func (c *Config) properties(b []byte, mediaType string, list []sinks.Attribute) []byte {
	return appendProperties(b, mediaType, textual(mediaType), uint32(c.Expiry.D()/time.Second), list)
}

// Names of the user properties that each entry has.
const (
	propertyID   = "weighpost-id"
	propertyKind = "weighpost-kind"
	propertySeq  = "weighpost-seq"
	propertyLate = "weighpost-late" // only where it is late: "true"
)

// attributes are the user properties of an entry: what it is, so that nobody needs to read the body for that, and what its
// format adds.
func attributes(e record.Entry, more []sinks.Attribute) []sinks.Attribute {
	list := make([]sinks.Attribute, 0, 4+len(more))
	list = append(list, sinks.Attribute{Name: propertyID, Value: escaped(e.ID)}, sinks.Attribute{Name: propertyKind, Value: escaped(string(e.Kind))},
		sinks.Attribute{Name: propertySeq, Value: strconv.FormatUint(e.Seq, 10)})
	if e.Late {
		list = append(list, sinks.Attribute{Name: propertyLate, Value: "true"})
	}
	return append(list, more...)
}

// unfit says whether a character may make a broker drop the connection (MQTT 5.0 clause 1.5.4): controls, and what is no
// character. utf8.RuneError stands for bytes that are no UTF-8 as well.
func unfit(r rune) bool {
	return r < ' ' || r >= 0x7f && r < 0xa0 || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef || r == utf8.RuneError
}

// escaped writes a text one-to-one without unfit characters: each byte of them, and each %, as % and two hexadecimal digits. The
// names that a configuration can give hold neither.
func escaped(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r == '%' || unfit(r) }) {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		if size := len(string(r)); r != '%' && !unfit(r) {
			b.WriteRune(r)
		} else if r == utf8.RuneError && !strings.HasPrefix(s[i:], string(utf8.RuneError)) {
			fmt.Fprintf(&b, "%%%02X", s[i]) // a byte that is no UTF-8
		} else {
			for j := range size {
				fmt.Fprintf(&b, "%%%02X", s[i+j])
			}
		}
	}
	return b.String()
}

// checkAttributes says which attribute cannot go as a user property, or nil.
func checkAttributes(list []sinks.Attribute) error {
	for _, a := range list {
		if len(a.Name) > math.MaxUint16 || len(a.Value) > math.MaxUint16 || strings.ContainsFunc(a.Name+a.Value, unfit) {
			return fmt.Errorf("its property %s is no text that MQTT can carry", show(a.Name))
		}
	}
	return nil
}

// beside is what goes beside a message of our own that is JSON; nil in MQTT 3.1.1.
func (s *Sink) beside() []byte {
	if !s.cfg.five() {
		return nil
	}
	return appendProperties(nil, "application/json", true, 0, nil)
}
