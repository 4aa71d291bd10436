package lines

import (
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/text"
)

// What a program that asks is given.
const (
	Next   = "next"
	Newest = "newest"
)

// Config is what is said of lines, whatever carries them. Sinks hold it inline.
type Config struct {
	format.Choice `yaml:",inline" desc:"How entries are written."`
	text.Coding   `yaml:",inline" desc:"Which characters the other side takes."`

	LineEnd string `yaml:"line_end" desc:"What ends each line, where the format does not end it itself." default:"\r\n"`

	AskedBy   string          `yaml:"asked_by" desc:"The bytes by which the program asks for a weighing, such as \"P\\r\\n\". Left out: each weighing is sent as it comes."`
	Answer    string          `yaml:"answer" desc:"What a program that asks is given. next: the oldest weighing that was not fetched yet, each once. newest: the last one, again each time, and never a record of what was weighed in between." enum:"next,newest" default:"next"`
	NewestFor strict.Duration `yaml:"newest_for" desc:"How old the weighing may be that answer: newest gives, by its stamp; 1s to 24h." default:"1m"`
	Nothing   string          `yaml:"nothing" desc:"What a program that asks is told while there is nothing for it, line end included. Left out: it gets no answer."`

	Acknowledge       string          `yaml:"acknowledge" desc:"The bytes by which the program says that it has a line, such as \"\\x06\". A line for which they do not come is sent again. Left out: written and drained counts as delivered."`
	AcknowledgeWithin strict.Duration `yaml:"acknowledge_within" desc:"How long the program may take to acknowledge a line, 100ms to 1m." default:"5s"`

	SkipAfter strict.Duration `yaml:"skip_after" desc:"Weighings that are older than this when their turn comes are left out, and said to be, so that a program which comes late gets no old weights; 1s to 24h. Left out: everything waits until somebody takes it."`
}

// Default is a Config with what applies where the file says nothing.
func Default() Config {
	return Config{Choice: format.DefaultChoice(), Coding: text.DefaultCoding(), LineEnd: "\r\n", Answer: Next,
		NewestFor: strict.Duration(time.Minute), AcknowledgeWithin: strict.Duration(5 * time.Second)}
}

// longest is how many bytes a token (what asks, what acknowledges) and a line end may have.
const longest = 64

// CheckLines adds every fault to r, which stands where the keys do.
func (c *Config) CheckLines(r *strict.Report) {
	c.Choice.Check(r, format.OneByOne)
	if c.Format == format.NameReport {
		r.At("format").Fault("the file of a report is no line of text", "a destination of files, mail, or a printer with print: report")
	}
	c.CheckCoding(r)
	if text.Own(c.Format) && r.At("encoding").Written() {
		r.At("encoding").Fault("has no effect: a layout has its own code page", "leave it out, and set code_page in the layout")
	}
	for _, k := range []struct{ key, value string }{{"line_end", c.LineEnd}, {"asked_by", c.AskedBy}, {"acknowledge", c.Acknowledge}, {"nothing", c.Nothing}} {
		if len(k.value) > longest {
			r.At(k.key).Fault(fmt.Sprintf("has %d bytes", len(k.value)), fmt.Sprintf("%d bytes at the most", longest))
		}
	}
	if c.Answer != Next && c.Answer != Newest {
		r.At("answer").Fault(fmt.Sprintf("%.40q is nothing that can be answered", c.Answer), "next or newest")
	}
	c.checkTogether(r)
	r.At("newest_for").Within(c.NewestFor, time.Second, 24*time.Hour)
	r.At("acknowledge_within").Within(c.AcknowledgeWithin, 100*time.Millisecond, time.Minute)
	if c.SkipAfter != 0 || r.At("skip_after").Written() {
		r.At("skip_after").Within(c.SkipAfter, time.Second, 24*time.Hour)
	}
}

// checkTogether finds keys that say nothing beside others.
func (c *Config) checkTogether(r *strict.Report) {
	if c.AskedBy != "" && c.Acknowledge != "" {
		r.At("acknowledge").Fault("stands beside asked_by: a program that asks says by its next question that it has the line", "one of the two")
	}
	if c.AskedBy == "" {
		for _, key := range []string{"answer", "newest_for", "nothing"} {
			if r.At(key).Written() {
				r.At(key).Fault("has no effect without asked_by", "asked_by, or leave it out")
			}
		}
	}
	if c.AskedBy != "" && c.Answer == Newest {
		if r.At("skip_after").Written() {
			r.At("skip_after").Fault("has no effect with answer: newest", "newest_for")
		}
		r.At("answer").Note("a program that asks for the newest weighing misses those in between, and gets one twice if it asks twice: it is a view, and no delivery of record")
	} else if r.At("newest_for").Written() && c.AskedBy != "" {
		r.At("newest_for").Fault("has no effect without answer: newest", "skip_after for answer: next")
	}
	if c.Acknowledge == "" && r.At("acknowledge_within").Written() {
		r.At("acknowledge_within").Fault("has no effect without acknowledge", "acknowledge, or leave it out")
	}
}

// writer makes lines of entries.
type writer struct {
	cfg Config
	f   format.Format
}

func (c *Config) writer(env sinks.Env) (*writer, error) {
	f, err := c.Choice.Open(env)
	return &writer{cfg: *c, f: f}, err
}

// line gives the bytes for one entry. An error says that it can never be a line.
func (w *writer) line(e record.Entry) ([]byte, error) {
	return w.cfg.Entry(w.cfg.Format, w.f, e, w.cfg.LineEnd)
}

// Preview gives what would be sent for one entry. to says where.
func (c *Config) Preview(to string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	w, err := c.writer(env)
	if err != nil {
		return sinks.Shown{}, err
	}
	b, err := w.line(e)
	if err != nil {
		return sinks.Shown{}, err
	}
	kind := "text/plain; charset=" + c.Encoding
	if text.Own(c.Format) {
		kind = "text/plain"
	}
	return sinks.Shown{To: to, Type: kind, Body: b}, nil
}
