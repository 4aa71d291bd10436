package tap

import (
	"errors"
	"strings"

	"weighpost/gateway/port"
)

// trouble is why a tap cannot be opened, in words for the person who must do something about it.
type trouble struct {
	what   string // without its full stop
	remedy string
	err    error // what the system said, if anything
}

func (t *trouble) Error() string {
	if t.err != nil {
		return t.what + ": " + t.err.Error()
	}
	return t.what
}

func (t *trouble) Unwrap() error { return t.err }

// remedy says what to do about an error at opening.
func remedy(err error) string {
	var t *trouble
	if errors.As(err, &t) {
		return t.remedy
	}
	return "See what the system says."
}

// ofPort puts what a port says of itself into a trouble.
func ofPort(err error) error {
	var t *port.Trouble
	if !errors.As(err, &t) {
		return err
	}
	what := strings.TrimSuffix(t.Sentence, ".")
	return &trouble{what: strings.ToLower(what[:1]) + what[1:], remedy: t.Remedy, err: t.Err}
}
