package intake

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// AskConfig is how a balance is asked for its weight. What is written here is sent to the balance, and nothing else ever is.
type AskConfig struct {
	Send         Bytes           `yaml:"send" desc:"What the balance is sent as a question, 1 to 64 bytes; control characters in double quotes: \"\\x05\", \"P\\r\\n\"."`
	Every        strict.Duration `yaml:"every" desc:"How often it is asked by itself; 100ms to 24h. Left out: only when a request comes."`
	WhileWatched bool            `yaml:"while_watched" desc:"Whether it is asked by itself only while somebody looks at the live page or weighpost watch." default:"false"`
	Timeout      strict.Duration `yaml:"timeout" desc:"How long the whole answer may take after the question was sent; 50ms to 30s." default:"1s"`
	Late         strict.Duration `yaml:"late" desc:"After a missed answer the line must be silent for so long before the next question: an answer that comes meanwhile is late, and answers nothing. 100ms to 20s. Left out: twice the timeout, 20s at the most."`
	Confirm      int             `yaml:"confirm" desc:"2: it is asked twice, and a reading counts only if both answers are equal in digits, unit and stability." hint:"1 or 2" default:"1"`
	Missed       int             `yaml:"missed" desc:"After how many missed answers in a row that is a condition; 1 to 1000." default:"3"`
}

// Command is something that can be sent to a balance by whoever may, such as tare. Its owner wrote it down.
type Command struct {
	Send    Bytes           `yaml:"send" desc:"What the balance is sent, 1 to 64 bytes; control characters in double quotes: \"T\\r\\n\"."`
	About   string          `yaml:"about" desc:"What it does, in a few words."`
	Caution string          `yaml:"caution" desc:"What whoever sends it has to know: it is shown beside it, and with each answer."`
	Answer  string          `yaml:"answer" desc:"Whether the balance answers: none, or frame, which waits for the next whole frame, of whatever kind." enum:"none,frame" default:"none"`
	Timeout strict.Duration `yaml:"timeout" desc:"How long the whole answer may take after the command was sent; 50ms to 30s." default:"1s"`
}

// The values of Command.Answer.
const (
	AnswerNone  = "none"
	AnswerFrame = "frame"
)

const (
	defaultAskTimeout = time.Second
	longestTimeout    = 30 * time.Second
	longestLate       = 20 * time.Second
	defaultMissed     = 3
	mostCommands      = 64
	longestText       = 500 // bytes of about and caution
)

func (a *AskConfig) timeout() time.Duration {
	return orElse(time.Duration(a.Timeout), defaultAskTimeout)
}

func (a *AskConfig) late() time.Duration {
	return orElse(time.Duration(a.Late), min(2*a.timeout(), longestLate))
}

func (a *AskConfig) missed() int {
	if a.Missed == 0 {
		return defaultMissed
	}
	return a.Missed
}

func (c *Command) timeout() time.Duration { return orElse(time.Duration(c.Timeout), defaultAskTimeout) }

func (c *Command) answer() string {
	if c.Answer == "" {
		return AnswerNone
	}
	return c.Answer
}

func orElse(d, def time.Duration) time.Duration {
	if d == 0 {
		return def
	}
	return d
}

// check adds what is wrong with how the balance is asked. rule is its capture rule.
func (a *AskConfig) check(r *strict.Report, rule Rule) {
	a.Send.check(r.At("send"))
	inRange(r, "every", a.Every, 100*time.Millisecond, 24*time.Hour, "100ms to 24h")
	inRange(r, "timeout", a.Timeout, 50*time.Millisecond, longestTimeout, "50ms to 30s")
	inRange(r, "late", a.Late, 100*time.Millisecond, longestLate, "100ms to 20s")
	if a.WhileWatched && a.Every == 0 {
		r.At("while_watched").Fault("says not how often the balance is asked while somebody looks", "every: 2s beside it")
	}
	if at := r.At("confirm"); a.Confirm < 0 || a.Confirm > 2 || a.Confirm == 0 && at.Written() {
		at.Fault(fmt.Sprintf("%d is out of range", a.Confirm), "1 or 2")
	}
	if at := r.At("missed"); a.Missed < 0 || a.Missed > 1000 || a.Missed == 0 && at.Written() {
		at.Fault(fmt.Sprintf("%d is out of range", a.Missed), "1 to 1000")
	}
	if a.Every != 0 && (rule.Kind == "" || rule.Kind == Printed) {
		r.Note("with record: printed, what the balance answers is shown and not recorded, and a line that somebody prints while a question is open counts as its answer; " +
			"where people press the print key, ask on request only, or record: settled")
	}
}

func inRange(r *strict.Report, key string, d strict.Duration, least, most time.Duration, allowed string) {
	at := r.At(key)
	if v := time.Duration(d); v < 0 || v > most || v < least && (v != 0 || at.Written()) {
		at.Fault(fmt.Sprintf("%s is out of range", v), allowed)
	}
}

func checkCommands(r *strict.Report, commands map[string]Command) {
	if len(commands) > mostCommands {
		r.Fault(fmt.Sprintf("has %d commands", len(commands)), fmt.Sprintf("at most %d", mostCommands))
	}
	for _, name := range slices.Sorted(maps.Keys(commands)) {
		at, c := r.At(name), commands[name]
		if err := record.CheckName(name); err != nil {
			at.Fault("the name "+err.Error(), "a to z, 0 to 9 and -, such as tare")
		}
		c.Send.check(at.At("send"))
		checkText(at.At("about"), c.About)
		checkText(at.At("caution"), c.Caution)
		inRange(at, "timeout", c.Timeout, 50*time.Millisecond, longestTimeout, "50ms to 30s")
		if c.Timeout != 0 && c.Answer != AnswerFrame {
			at.At("timeout").Fault("is for an answer, and none is awaited", "answer: frame beside it, or no timeout")
		}
	}
}

func checkText(r *strict.Report, text string) {
	if len(text) > longestText {
		r.Fault(fmt.Sprintf("has %d bytes", len(text)), fmt.Sprintf("at most %d", longestText))
	}
	for _, letter := range text {
		if !unicode.IsPrint(letter) || letter == unicode.ReplacementChar {
			r.Fault("holds a character that cannot be printed", "plain text on one line")
			return
		}
	}
}

// MostSent is how many bytes a question or a command may have.
const MostSent = 64

// Bytes is what is sent to a balance. In a file it is text, in which control characters are written as in a layout: in double
// quotes, as "\x05" or "P\r\n". Each character up to U+00FF is the one byte of that number, so that "\xE9" is the byte E9.
type Bytes string

// UnmarshalText reads what stands in the file, once quotes and escapes are resolved.
func (b *Bytes) UnmarshalText(text []byte) error {
	s := string(text)
	out := make([]byte, 0, len(s))
	for _, c := range s {
		if c > 0xFF {
			return fmt.Errorf("holds %q, which is no single byte: write its bytes in the balance's own code, as \"\\xE9\" in double quotes", c)
		}
		out = append(out, byte(c))
	}
	*b = Bytes(out)
	return nil
}

// MarshalText is the inverse of UnmarshalText.
func (b Bytes) MarshalText() ([]byte, error) {
	out := make([]rune, len(b))
	for i := range len(b) {
		out[i] = rune(b[i])
	}
	return []byte(string(out)), nil
}

// String shows the bytes as a person writes them, in double quotes.
func (b Bytes) String() string {
	var s strings.Builder
	s.WriteByte('"')
	for i := range len(b) {
		switch c := b[i]; {
		case c == '\r':
			s.WriteString(`\r`)
		case c == '\n':
			s.WriteString(`\n`)
		case c == '\t':
			s.WriteString(`\t`)
		case c == '"' || c == '\\':
			s.WriteByte('\\')
			s.WriteByte(c)
		case c < ' ' || c >= 0x7F:
			fmt.Fprintf(&s, `\x%02x`, c)
		default:
			s.WriteByte(c)
		}
	}
	s.WriteByte('"')
	return s.String()
}

func (b Bytes) check(r *strict.Report) {
	switch {
	case b == "":
		r.Fault("is missing: nothing would be sent", `what the balance's manual says, such as "\x05" or "P\r\n"`)
		return
	case len(b) > MostSent:
		r.Fault(fmt.Sprintf("has %d bytes", len(b)), fmt.Sprintf("at most %d", MostSent))
	}
	if letter, found := strict.LostEscape(string(b)); found {
		r.Fault(fmt.Sprintf("the backslash before %q would be sent as one: only double quotes make control characters of such", letter),
			`double quotes, as in "\x05" or "P\r\n"`)
		return
	}
	for rest := string(b); ; {
		_, after, found := strings.Cut(rest, "<")
		name, _, closed := strings.Cut(after, ">")
		if written, known := strict.Spelt(name); found && closed && known {
			r.Fault(fmt.Sprintf("<%s> would be sent as these letters, and not as the control character", name), written+" in double quotes")
			return
		}
		if !found {
			return
		}
		rest = after
	}
}
