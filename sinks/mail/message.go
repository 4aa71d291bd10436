package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"

	gomail "github.com/wneessen/go-mail"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// letter is a message before it is written.
type letter struct {
	id      string // Message-ID without its brackets: the same each time that the same is said
	replyTo string // Message-ID of what it goes on from
	subject string
	body    string
	late    bool
	file    []byte // attached, where that is asked for
	fileIs  string
	fileOf  string // its media type
	err     error  // why it can never be sent
}

// mostText is how many bytes of one text from outside a message holds.
const mostText = 2000

// oneLine makes a text fit for a header or for one line: what would end the line, turn it round or act upon a terminal becomes a blank.
func oneLine(text string, most int) string {
	text = strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(text, " "))
	text = strings.Join(strings.Fields(text), " ")
	if len(text) <= most {
		return text
	}
	cut := most
	for cut > 0 && text[cut]&0xc0 == 0x80 {
		cut--
	}
	return text[:cut] + "…"
}

// messageID names what is said: the same from the same parts. Its right side is the domain of the sender.
func (s *Sink) messageID(parts ...string) string {
	sum := sha256.New()
	for _, p := range append([]string{s.site, s.id}, parts...) {
		fmt.Fprintf(sum, "%d:%s", len(p), p)
	}
	_, domain, _ := strings.Cut(s.cfg.From, "@")
	return hex.EncodeToString(sum.Sum(nil)[:16]) + ".weighpost@" + domain
}

// ofEntry is the message about one entry.
func (s *Sink) ofEntry(e record.Entry) letter {
	l := letter{id: s.messageID("entry", e.ID), late: e.Late}
	l.subject = fmt.Sprintf("[%s] %s", s.site, oneLine(tell.Kind(e.Kind)+about(e), 150))
	l.body = s.lines(e) + "\n" + s.foot()
	switch {
	case e.Kind == record.KindReportIssued:
		f, err := s.env.ReportOf(e)
		l.fileIs, l.fileOf, l.file, l.err = f.Name, f.Type, f.Body, err
	case s.cfg.Attach:
		l.file, l.fileIs, l.fileOf = e.JSON, "entry.json", jsonType
	}
	return l
}

// ofEntries is one message about many.
func (s *Sink) ofEntries(entries []record.Entry) letter {
	first, last := entries[0], entries[len(entries)-1]
	l := letter{id: s.messageID("entries", first.ID, last.ID, fmt.Sprint(len(entries)))}
	l.subject = fmt.Sprintf("[%s] %d entries that waited", s.site, len(entries))
	parts, reports := make([]string, len(entries)), false
	for i, e := range entries {
		parts[i] = s.lines(e)
		l.late = l.late || e.Late
		if s.cfg.Attach {
			l.file, l.fileIs, l.fileOf = append(append(l.file, e.JSON...), '\n'), "entries.ndjson", jsonType
		}
		reports = reports || e.Kind == record.KindReportIssued
	}
	l.body = fmt.Sprintf("More happened than %d messages an hour may tell. All that waited:\n\n", s.cfg.PerHour) + strings.Join(parts, "\n") + "\n"
	if reports {
		l.body += "The files of reports are not attached to this message. Get each by: weighpost reports write NUMBER --out FILE\n\n"
	}
	l.body += s.foot()
	return l
}

// jsonType is the media type of entries.
const jsonType = "application/json"

func about(e record.Entry) string {
	if e.Balance != "" {
		return ", balance " + e.Balance
	}
	return ""
}

// lines say what an entry says.
func (s *Sink) lines(e record.Entry) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s%s\n", oneLine(tell.Kind(e.Kind), mostText), about(e))
	if line := oneLine(tell.Line(e), mostText); line != "" {
		fmt.Fprintln(&b, line)
	}
	var stamped struct {
		Stamp struct {
			UTC record.UTC `json:"utc"`
		} `json:"stamp"`
	}
	if word := unfit(e); word != "" {
		fmt.Fprintf(&b, "It is marked: %s\n", word)
	}
	if json.Unmarshal(e.JSON, &stamped) == nil && !stamped.Stamp.UTC.Time().IsZero() {
		fmt.Fprintf(&b, "Since %s\n", clock(stamped.Stamp.UTC.Time()))
	}
	fmt.Fprintf(&b, "Entry %s\n", oneLine(e.ID, mostText))
	return b.String()
}

// unfit says of a weighing or a result what its balance's fitness makes of it; "": nothing.
func unfit(e record.Entry) string {
	var w struct {
		Fitness record.Fitness `json:"fitness"`
	}
	if !e.Kind.Numbered() || json.Unmarshal(e.JSON, &w) != nil {
		return ""
	}
	return tell.Unfit(w.Fitness.State)
}

func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }

func (s *Sink) foot() string {
	return fmt.Sprintf("-- \nweighpost at site %s, destination %s\n", s.site, s.id)
}

// write makes the message as it goes out. Addresses were validated; all other headers are one line of text that is printable.
func (s *Sink) write(l letter, now time.Time) (*gomail.Msg, error) {
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent(), gomail.WithCharset(gomail.CharsetUTF8), gomail.WithEncoding(gomail.EncodingQP))
	if err := m.From(s.cfg.From); err != nil {
		return nil, err
	}
	if err := m.To(s.cfg.To...); err != nil {
		return nil, err
	}
	m.Subject(oneLine(l.subject, 250))
	m.SetMessageIDWithValue(l.id)
	m.SetDateWithValue(now.UTC())
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834 section 5: nobody's machine is to answer
	if l.replyTo != "" {
		m.SetGenHeader(gomail.HeaderInReplyTo, "<"+l.replyTo+">")
	}
	if l.late {
		m.SetGenHeader("Weighpost-Late", "?1")
	}
	m.SetBodyString(gomail.TypeTextPlain, strings.ReplaceAll(l.body, "\n", "\r\n"))
	if l.file != nil {
		if err := m.AttachReader(l.fileIs, bytes.NewReader(l.file), gomail.WithFileContentType(gomail.ContentType(l.fileOf)), gomail.WithFileEncoding(gomail.EncodingB64)); err != nil {
			return nil, err
		}
	}
	return m, nil
}
