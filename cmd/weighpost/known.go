package main

import (
	"errors"
	"fmt"
	"io"
)

// known prints what is known of one thing, a line for each, and leaves out what is not known.
type known struct {
	out  io.Writer
	wide int // of the names
	errs []error
}

func (k *known) line(name, text string) {
	if text != "" {
		_, err := fmt.Fprintf(k.out, "%-*s %s\n", k.wide, name, plain(text))
		k.errs = append(k.errs, err)
	}
}

func (k *known) err() error { return errors.Join(k.errs...) }
