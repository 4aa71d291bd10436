package mqtt

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf8"
)

// back is where the sender of a request in MQTT 5 wants its answer as well, and what the answer is to carry (MQTT 5.0 clause 4.10).
type back struct {
	topic       string // "": nowhere else
	correlation []byte
}

const (
	backTopicSize   = 512
	backLevels      = 32
	correlationSize = 1024
)

// back takes what a request says about its answer, or says in a sentence why the request is refused for it. Our user may publish
// where its sender may not: so nothing goes to a topic that is read as ours or another site's.
func (t topics) back(a arrival) (back, string) {
	if len(a.correlation) > correlationSize {
		return back{}, fmt.Sprintf("The correlation data of the request has %d bytes: at most %d are taken.", len(a.correlation), correlationSize)
	}
	if a.answerTo == "" {
		return back{}, ""
	}
	if why := t.unfitForAnswer(a.answerTo); why != "" {
		return back{}, "The response topic of the request " + why + ": its answer is only here, and nothing was done."
	}
	return back{topic: a.answerTo, correlation: bytes.Clone(a.correlation)}, ""
}

func (t topics) unfitForAnswer(topic string) string {
	switch {
	case len(topic) > backTopicSize:
		return fmt.Sprintf("has %d bytes, and at most %d are taken", len(topic), backTopicSize)
	case !utf8.ValidString(topic) || strings.ContainsFunc(topic, unfit):
		return "holds characters that a broker need not take"
	case strings.ContainsAny(topic, "+#"):
		return "holds a wildcard"
	case strings.HasPrefix(topic, "$"):
		return "begins with $, which belongs to the broker"
	case strings.Count(topic, "/") >= backLevels:
		return fmt.Sprintf("has more than %d levels", backLevels)
	case topic == t.prefix || strings.HasPrefix(topic, t.prefix+"/"):
		return "is below " + t.prefix + "/, where weighpost alone says what is there"
	}
	return ""
}

// properties are those of the answer.
func (b back) properties() []byte {
	p := appendProperties(nil, "application/json", true, 0, nil)
	if b.correlation == nil {
		return p
	}
	p = binary.BigEndian.AppendUint16(append(p, propCorrelation), uint16(len(b.correlation)))
	return append(p, b.correlation...)
}
