package sinks

import (
	"context"
	"errors"
	"io"
	"time"
)

// Storer is a sink that can also keep whole files: backups, and segments of the journal. They never mix with deliveries. The
// methods may be called from any goroutine, also while Deliver runs, and end soon after ctx does. A name is one or two
// elements with a slash between them, of a to z, 0 to 9, dot, dash and underscore, none of which begins with a dot.
type Storer interface {
	// Store keeps what r gives under a name, durably: nobody ever reads half of it under that name. The same bytes again are
	// no error; a file of other bytes under the name is not replaced, and the error is ErrTaken.
	Store(ctx context.Context, name string, r io.Reader) error
	// Fetch gives what is kept under a name. What is not there is fs.ErrNotExist.
	Fetch(ctx context.Context, name string) (io.ReadCloser, error)
	// Stored lists the files whose names begin with prefix, by name; half-written ones are not among them.
	Stored(ctx context.Context, prefix string) ([]StoredFile, error)
	// Remove removes a file. One that is not there is no error.
	Remove(ctx context.Context, name string) error
}

// StoredFile is one file that a Storer keeps.
type StoredFile struct {
	Name string
	Size int64
	Time time.Time // when it was written, by the clock of whoever keeps it
}

// ErrTaken says that another file has the name already.
var ErrTaken = errors.New("another file has this name already, and is not replaced")
