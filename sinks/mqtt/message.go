package mqtt

import (
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// writer turns entries into messages. It asks nobody.
type writer struct {
	cfg    *Config
	topics topics
	format format.Format
}

func newWriter(c *Config, site string, env sinks.Env) (writer, error) {
	f, err := c.Choice.Open(env)
	return writer{cfg: c, topics: newTopics(c.Prefix, site), format: f}, err
}

// letter is an entry as it goes out: the body, and in MQTT 5 what goes beside it.
type letter struct {
	body       []byte
	mediaType  string
	attributes []sinks.Attribute
}

// write gives the letter of an entry, or a sinks.Refused.
func (w writer) write(e record.Entry) (letter, error) {
	p, err := w.format.Entry(e)
	if err != nil {
		return letter{}, sinks.Refused{Err: fmt.Errorf("entry %s cannot be written: %w", e.ID, err)}
	}
	l := letter{body: p.Body, mediaType: p.Type}
	if !w.cfg.five() {
		if len(p.Attributes) > 0 {
			return letter{}, sinks.Unusable{Err: errors.New("this format writes a part of each entry beside the body, and MQTT 3.1.1 carries bodies alone: " +
				"set version: 5, or another format")}
		}
		return l, nil
	}
	if err := checkAttributes(p.Attributes); err != nil {
		return letter{}, sinks.Refused{Err: fmt.Errorf("entry %s cannot be published: %w", e.ID, err)}
	}
	l.attributes = attributes(e, p.Attributes)
	return l, nil
}

// message gives the message of an entry, or a sinks.Refused.
func (w writer) message(e record.Entry) (message, error) {
	l, err := w.write(e)
	if err != nil {
		return message{}, err
	}
	m := message{topic: w.topics.entry(e), payload: l.body, retain: w.cfg.Retain}
	if w.cfg.five() {
		m.properties = w.cfg.properties(nil, l.mediaType, l.attributes)
	}
	if m.size() > maxPacket {
		return message{}, sinks.Refused{Err: fmt.Errorf("entry %s has %d bytes: at most 1 MiB is published over MQTT", e.ID, len(l.body))}
	}
	return m, nil
}

// Preview shows the message of one entry. A broker can still set a lower limit for what it takes.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	w, err := newWriter(c, env.Site, env)
	if err != nil {
		return sinks.Shown{}, fmt.Errorf("sink %s: %w", id, err)
	}
	if _, err := w.message(e); err != nil {
		return sinks.Shown{}, err
	}
	l, err := w.write(e)
	shown := sinks.Shown{To: w.topics.entry(e), Attributes: l.attributes, Body: l.body}
	if c.five() {
		shown.Type = l.mediaType
	}
	return shown, err
}

// Carries says whether an entry of a kind can be published as configured.
func (c *Config) Carries(k record.Kind) bool { return c.Choice.Carries(k) }

// textual says whether bodies of a media type are UTF-8: all of ours are that have words for one.
func textual(mediaType string) bool {
	name, _, _ := strings.Cut(mediaType, ";")
	return strings.HasPrefix(name, "text/") || strings.HasSuffix(name, "json")
}
