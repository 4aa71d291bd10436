package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"unicode"
	"unicode/utf8"

	"golang.org/x/term"

	"weighpost/gateway/setup"
	"weighpost/gateway/watch"
)

// terminalPerson asks in plain lines, on standard error, so that standard output holds nothing but what was found. A choice
// is made by its number or its value; Enter takes the default.
type terminalPerson struct {
	in    io.Reader
	out   io.Writer
	alone bool        // nobody can answer
	lines chan answer // from the reader, once there is one
	open  atomic.Bool // a prompt stands at the end of the last line
}

// answer is one line that was typed, or why no more will come.
type answer struct {
	text string
	err  error
}

const (
	longestAnswer = 4096 // bytes
	mostAttempts  = 10   // at one question
)

// newPerson makes the person at the terminal, or the one whose answers were piped in. Where standard input is neither there
// is nobody.
func newPerson(s streams) *terminalPerson {
	return &terminalPerson{in: s.in, out: s.err, alone: !answers(s.in)}
}

// answers says whether answers can come from in: a terminal, a pipe or a file, but not the null device.
func answers(in io.Reader) bool {
	f, ok := in.(*os.File)
	if !ok {
		return in != nil
	}
	if term.IsTerminal(int(f.Fd())) {
		return true
	}
	st, err := f.Stat()
	return err == nil && (st.Mode()&os.ModeNamedPipe != 0 || st.Mode().IsRegular())
}

// Tell shows a text.
func (p *terminalPerson) Tell(text string) {
	if p.open.Swap(false) {
		fmt.Fprintln(p.out)
	}
	for line := range strings.SplitSeq(strings.TrimRight(text, "\n"), "\n") {
		for _, row := range rows(shown(line)) {
			fmt.Fprintln(p.out, row)
		}
	}
}

// rows breaks a line that is wider than the screen at blanks. What is within a row stays as it is.
func rows(line string) (list []string) {
	rest := []rune(line)
	indent := len(rest) - len([]rune(strings.TrimLeft(line, " ")))
	for len(rest) > screenWidth {
		at := screenWidth
		for at > indent && rest[at] != ' ' {
			at--
		}
		if at <= indent {
			break // one word: the terminal breaks it
		}
		list = append(list, strings.TrimRight(string(rest[:at]), " "))
		rest = append([]rune(strings.Repeat(" ", indent)), []rune(strings.TrimLeft(string(rest[at:]), " "))...)
	}
	return append(list, string(rest))
}

// Ask asks until an answer fits.
func (p *terminalPerson) Ask(ctx context.Context, q setup.Question) (string, error) {
	if p.alone {
		return "", setup.ErrNobody
	}
	p.Tell(q.Text)
	for i, c := range q.Choices {
		p.Tell(fmt.Sprintf("  %d  %s", i+1, choiceText(c)))
	}
	for range mostAttempts {
		fmt.Fprint(p.out, prompt(q))
		p.open.Store(true)
		text, err := p.line(ctx)
		prompted := p.open.Swap(false)
		if err != nil {
			if prompted {
				fmt.Fprintln(p.out)
			}
			return "", err
		}
		value, wrong := choose(q, text)
		if wrong == "" {
			return value, nil
		}
		p.Tell(wrong)
	}
	return "", fmt.Errorf("%d answers did not fit the question %q: start again", mostAttempts, q.Key)
}

func choiceText(c setup.Choice) string {
	if c.Text == "" || c.Text == c.Value {
		return c.Value
	}
	return c.Text + " (" + c.Value + ")"
}

func prompt(q setup.Question) string {
	if q.Default == "" {
		return "> "
	}
	return "[" + shown(q.Default) + "] > "
}

// choose gives the value that an answer means, or what is wrong with it.
func choose(q setup.Question, text string) (value, wrong string) {
	text = strings.TrimSpace(text)
	switch {
	case text == "" && q.Default != "":
		return q.Default, ""
	case text == "" && len(q.Choices) > 0:
		return "", "Please choose one."
	case len(q.Choices) == 0:
		return text, ""
	}
	// A value comes before a number: a choice of speeds may well have a value "2".
	for _, c := range slices.Concat(q.Choices, q.Aside) {
		if strings.EqualFold(text, c.Value) {
			return c.Value, ""
		}
	}
	if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= len(q.Choices) {
		return q.Choices[n-1].Value, ""
	}
	return "", fmt.Sprintf("%q is none of the choices: type a number from 1 to %d.", text, len(q.Choices))
}

// line waits for what is typed. A read of a terminal cannot be called off: its goroutine ends with the read, or with the
// program.
func (p *terminalPerson) line(ctx context.Context) (string, error) {
	if p.lines == nil {
		p.lines = make(chan answer)
		go typed(p.in, p.lines)
	}
	select {
	case a, open := <-p.lines:
		if !open || errors.Is(a.err, io.EOF) {
			p.alone = true
			return "", setup.ErrNobody
		}
		return a.text, a.err
	case <-ctx.Done():
		return "", context.Cause(ctx)
	}
}

// typed hands over line by line. A line that is too long is an error, and the end.
func typed(in io.Reader, to chan<- answer) {
	defer close(to)
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 256), longestAnswer)
	for lines.Scan() {
		to <- answer{text: lines.Text()}
	}
	err := lines.Err()
	switch {
	case errors.Is(err, bufio.ErrTooLong):
		err = fmt.Errorf("an answer is longer than %d bytes", longestAnswer)
	case err != nil:
		err = fmt.Errorf("the answer cannot be read: %w", err)
	default:
		err = io.EOF
	}
	to <- answer{err: err}
}

// shown makes a text harmless to the terminal. Unlike [watch.Harmless] it leaves a backslash alone: what is told is a
// sentence, and the bytes within it are escaped already.
func shown(text string) string {
	if !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) && utf8.ValidString(text) {
		return text
	}
	parts := strings.Split(text, `\`)
	for i := range parts {
		parts[i] = watch.Harmless(parts[i])
	}
	return strings.Join(parts, `\`)
}
