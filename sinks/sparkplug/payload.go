package sparkplug

import (
	"errors"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Numbers of the fields of messages, and of data types, as the schema of Sparkplug B 3.0.0 gives them (sparkplug_b.proto; chapter 6).
const (
	payloadTimestamp, payloadMetrics, payloadSeq = 1, 2, 3

	metricName, metricTimestamp, metricDatatype, metricHistorical, metricNull, metricProperties = 1, 3, 4, 5, 7, 9
	metricLong, metricDouble, metricBoolean, metricString                                       = 11, 13, 14, 15

	propertyKeys, propertyValues, valueType, valueInt = 1, 2, 1, 3

	typeInt32, typeInt64, typeDouble, typeBoolean, typeString, typeDateTime = 3, 4, 10, 11, 12, 13
)

// Quality of a value (chapter 6, "Quality Codes").
const (
	bad   = 0
	good  = 192
	stale = 500
)

// metric is one named value. Its value is an int64, a float64, a bool, a string, a time.Time, or a nullOf.
type metric struct {
	name    string
	value   any
	quality int // good is not written: it is what a host takes a value for
}

// nullOf is a value that is not there, of a data type.
type nullOf uint64

// payload is what one message carries.
type payload struct {
	at         time.Time // when it is sent
	metrics    []metric
	taken      time.Time // when the values were; zero: when it is sent
	historical bool
	seq        int // below 0: none, as in an NDEATH
}

func (p payload) encode() []byte {
	b := appendVarint(nil, payloadTimestamp, uint64(p.at.UnixMilli()))
	taken := p.taken
	if taken.IsZero() {
		taken = p.at
	}
	for _, m := range p.metrics {
		b = appendBytes(b, payloadMetrics, m.encode(taken, p.historical))
	}
	if p.seq >= 0 {
		b = appendVarint(b, payloadSeq, uint64(p.seq))
	}
	return b
}

func (m metric) encode(at time.Time, historical bool) []byte {
	b := appendBytes(nil, metricName, []byte(m.name))
	b = appendVarint(b, metricTimestamp, uint64(at.UnixMilli()))
	b = appendVarint(b, metricDatatype, datatype(m.value))
	if historical {
		b = appendVarint(b, metricHistorical, 1)
	}
	if m.quality != good {
		b = appendBytes(b, metricProperties, qualityProperty(m.quality))
	}
	switch v := m.value.(type) {
	case nullOf:
		b = appendVarint(b, metricNull, 1)
	case int64:
		b = appendVarint(b, metricLong, uint64(v))
	case float64:
		b = protowire.AppendFixed64(protowire.AppendTag(b, metricDouble, protowire.Fixed64Type), math.Float64bits(v))
	case bool:
		b = appendVarint(b, metricBoolean, protowire.EncodeBool(v))
	case string:
		b = appendBytes(b, metricString, []byte(v))
	case time.Time:
		b = appendVarint(b, metricLong, uint64(v.UnixMilli()))
	}
	return b
}

func datatype(value any) uint64 {
	switch v := value.(type) {
	case nullOf:
		return uint64(v)
	case int64:
		return typeInt64
	case float64:
		return typeDouble
	case bool:
		return typeBoolean
	case time.Time:
		return typeDateTime
	}
	return typeString
}

// qualityProperty is a PropertySet with the property Quality, an Int32.
func qualityProperty(quality int) []byte {
	value := appendVarint(appendVarint(nil, valueType, typeInt32), valueInt, uint64(quality))
	return appendBytes(appendBytes(nil, propertyKeys, []byte("Quality")), propertyValues, value)
}

func appendVarint(b []byte, field protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, field, protowire.VarintType), v)
}

func appendBytes(b []byte, field protowire.Number, v []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(b, field, protowire.BytesType), v)
}

// mostCommand is the longest command that is read, in bytes.
const mostCommand = 64 << 10

// asksRebirth says whether a command (NCMD) holds the metric Node Control/Rebirth with the value true. What else a command holds
// is not for us.
func asksRebirth(command []byte) (bool, error) {
	if len(command) > mostCommand {
		return false, errors.New("the command is too long")
	}
	asks := false
	err := eachField(command, func(field protowire.Number, _ uint64, metric []byte) error {
		if field != payloadMetrics || metric == nil {
			return nil
		}
		name, on := "", false
		err := eachField(metric, func(field protowire.Number, number uint64, text []byte) error {
			switch field {
			case metricName:
				name = string(text)
			case metricBoolean:
				on = number != 0
			}
			return nil
		})
		asks = asks || name == rebirth && on
		return err
	})
	return asks && err == nil, err
}

// eachField calls f for each field of a message, with its number or its bytes.
func eachField(message []byte, f func(field protowire.Number, number uint64, bytes []byte) error) error {
	for len(message) > 0 {
		field, kind, n := protowire.ConsumeTag(message)
		if n < 0 {
			return protowire.ParseError(n)
		}
		message = message[n:]
		var number uint64
		var bytes []byte
		switch kind {
		case protowire.VarintType:
			number, n = protowire.ConsumeVarint(message)
		case protowire.BytesType:
			bytes, n = protowire.ConsumeBytes(message)
		default:
			n = protowire.ConsumeFieldValue(field, kind, message)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		message = message[n:]
		if err := f(field, number, bytes); err != nil {
			return err
		}
	}
	return nil
}
