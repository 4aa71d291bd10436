package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

type readCommand struct {
	Layout string `required:"" short:"l" placeholder:"FILE" help:"The layout that says how the balance prints."`
	File   string `arg:"" help:"The bytes of a balance, as received; - for standard input."`
}

// Help is what the command tells beyond its one line.
func (readCommand) Help() string {
	return `Prints one JSON object for each frame, in order: its number, the offset of its first byte, its bytes in base64, and
"value" where it is a weight, "result" where it is a number of pieces or a percentage, or "unread" with the reason where it
is refused. What else the frame holds follows: person, sample, balance, count, range_number, printed_date, printed_time,
check.

A file tells nothing of the silences between its bytes: a layout whose frames end with one reads the file as one frame.`
}

// readFrame is one line of output. Its keys stand in this order.
type readFrame struct {
	N           int           `json:"n"`
	Offset      int64         `json:"offset"`
	Frame       []byte        `json:"frame"`
	Value       *record.Value `json:"value,omitempty"`
	Result      *record.Value `json:"result,omitempty"`
	Person      string        `json:"person,omitempty"`
	Sample      string        `json:"sample,omitempty"`
	Balance     string        `json:"balance,omitempty"`
	Count       string        `json:"count,omitempty"`
	RangeNumber string        `json:"range_number,omitempty"`
	Date        string        `json:"printed_date,omitempty"`
	Time        string        `json:"printed_time,omitempty"`
	Check       string        `json:"check,omitempty"`
	Unread      string        `json:"unread,omitempty"`
}

func (c readCommand) Run(ctx context.Context, s streams) error {
	src, err := os.ReadFile(c.Layout)
	if err != nil {
		return fmt.Errorf("the layout cannot be read: %w", err)
	}
	l, err := layout.Parse(c.Layout, src)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return fmt.Errorf("the layout %s has mistakes: mend the lines above", c.Layout)
	}
	in := s.in
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return fmt.Errorf("the bytes cannot be read: %w", err)
		}
		defer f.Close()
		in = f
	}
	return readFrames(ctx, l, in, s.out)
}

// readFrames prints what the frames of a stream say. What a read of the stream brings is printed before the next read.
func readFrames(ctx context.Context, l *layout.Layout, in io.Reader, to io.Writer) error {
	out := bufio.NewWriter(to)
	lines := json.NewEncoder(out)
	lines.SetEscapeHTML(false)
	var failed error
	var r layout.Reading
	n := 0
	emit := func(f frame.Frame) {
		n++
		if err := lines.Encode(describe(l, f, n, &r)); err != nil && failed == nil {
			failed = err
		}
	}
	splitter := l.Splitter()
	for c := range chunks(ctx, in) {
		splitter.Push(c.bytes, emit)
		if c.err == io.EOF {
			splitter.Flush(emit)
		}
		if err := out.Flush(); err != nil && failed == nil {
			failed = err
		}
		switch {
		case failed != nil:
			return fmt.Errorf("the readings cannot be written: %w", failed)
		case c.err == io.EOF:
			return nil
		case c.err != nil:
			return fmt.Errorf("the bytes cannot be read: %w", c.err)
		}
	}
	return ctx.Err()
}

func describe(l *layout.Layout, f frame.Frame, n int, r *layout.Reading) readFrame {
	line := readFrame{N: n, Offset: f.Offset, Frame: f.Bytes}
	if err := l.Apply(f, r); err != nil {
		line.Unread = err.Error()
		return line
	}
	value := record.ValueOf(r)
	if r.Quantity == unit.Count || r.Quantity == unit.Percent {
		line.Result = &value
	} else {
		line.Value = &value
	}
	line.Person, line.Sample, line.Balance, line.Count, line.RangeNumber = r.Person(), r.Sample(), r.Balance(), r.Count(), r.RangeNumber()
	line.Date, line.Time, line.Check = r.Date(), r.Time(), r.CheckState()
	return line
}

type chunk struct {
	bytes []byte
	err   error
}

// chunks gives what each read of a stream brings, until its end, an error, or the end of ctx. A read of a terminal or a
// pipe cannot be called off: its goroutine then ends with the read or with the program.
func chunks(ctx context.Context, in io.Reader) func(yield func(chunk) bool) {
	return func(yield func(chunk) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		next := make(chan chunk)
		go func() {
			defer close(next)
			for {
				buf := make([]byte, 32<<10)
				n, err := in.Read(buf)
				select {
				case next <- chunk{buf[:n], err}:
				case <-ctx.Done():
					return
				}
				if err != nil {
					return
				}
			}
		}()
		for {
			select {
			case c, open := <-next:
				if !open || !yield(c) {
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}
}
