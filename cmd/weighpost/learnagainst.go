package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/setup"
	"weighpost/gateway/watch"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
)

// against says which lines of a sample a layout does not fit. That there are any is a failure, except for a first one that
// was not heard whole.
func (c learnCommand) against(s streams, got *setup.Captured) error {
	src, err := config.ReadFile(c.Against)
	if err != nil {
		return fmt.Errorf("the layout cannot be read: %w", err)
	}
	l, err := layout.Parse(c.Against, src)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return fmt.Errorf("the layout %s has mistakes: mend the lines above", c.Against)
	}
	if len(got.Sample.Bytes) == 0 {
		return learn.ErrNoBytes
	}
	found := learn.Against(l, got.Sample)
	if c.JSON {
		err = printObject(s.out, found)
	} else {
		_, err = io.WriteString(s.out, c.comparison(found))
	}
	if err != nil {
		return fmt.Errorf("the comparison cannot be written: %w", err)
	}
	misfits := found.Of - found.Fits
	if misfits > 0 && len(found.Frames) > 0 && found.Frames[0].Opening && !found.Frames[0].Fits {
		misfits--
	}
	if misfits > 0 {
		return fmt.Errorf("the layout %s does not fit %s of %d", c.Against, count(misfits, "line"), found.Of)
	}
	return nil
}

// comparison is a comparison in plain lines.
func (c learnCommand) comparison(found *learn.Comparison) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s reads %d of %s.\n", shown(c.Against), found.Fits, count(found.Of, "line"))
	if found.LeftOut != "" {
		b.WriteString(wrapped(found.LeftOut, ""))
	}
	for _, m := range found.Misfits {
		where := fmt.Sprintf("line %d", m.First)
		if m.Count > 1 {
			where = fmt.Sprintf("%d lines, from %d to %d", m.Count, m.First, m.Last)
		}
		b.WriteString("\n" + wrapped(m.Why, "Does not fit, "+where+": "))
		for _, n := range m.Examples {
			if n >= 1 && n <= len(found.Frames) {
				frameRows(&b, learn.Frame{Number: n, Bytes: found.Frames[n-1].Bytes}, strings.Repeat(" ", len(found.Frames[n-1].Bytes)), false)
			}
		}
	}
	for _, s := range found.Signs {
		b.WriteString("\n" + wrapped(s, ""))
	}
	return b.String()
}

// printObject writes one JSON object on a line of its own, in which nothing steers a terminal.
func printObject(w io.Writer, v any) error {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return err
	}
	_, err := io.WriteString(w, watch.HarmlessJSON(strings.TrimSuffix(b.String(), "\n"))+"\n")
	return err
}
