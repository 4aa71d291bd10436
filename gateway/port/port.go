package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"weighpost/gateway/health"
)

// Port is one open port. One goroutine reads; Write and Close may be called from any other. Close frees a pending Read and
// may be called more than once. Read never returns 0 bytes without an error; when the read deadline has passed the error is
// os.ErrDeadlineExceeded; when nothing but a break came it is ErrBreak (or ErrDamage, which is one); and every other error means
// that the port is of no use any more. Write gives up after the limit in the configuration with os.ErrDeadlineExceeded and
// throws away what was not sent.
type Port interface {
	io.ReadWriteCloser
	// SetReadDeadline ends a pending or later Read at t; the zero time means no deadline.
	SetReadDeadline(t time.Time) error
}

// Arrival says when bytes came.
type Arrival struct {
	// At is the time just after the read that gave the bytes returned.
	At time.Time
	// Emptied is when the reader last found the port empty: the bytes came after it. Zero if it never did. Where the reader
	// was waiting for the bytes that may be long ago.
	Emptied time.Time
	// Held is how long the last of the bytes may have waited in this computer until At, at the most: next to nothing where
	// the reader was waiting for them, and since Emptied where it was held up by something else. HeldUnknown where nobody
	// knows.
	Held time.Duration
	// Damaged are the offsets of bytes that came with a parity or framing error; in their place stands a NUL. Breaks are
	// the offsets before which the line was held low for longer than a character. Both are nil where the driver cannot tell
	// (the driver library, tcp, and an rfc2217 server that does not report it), and valid only during the call.
	Damaged, Breaks []int
	// Vague says that damage was reported without the byte that it is about, as RFC 2217 does: everything that came in one
	// piece with the report counts as damaged, and bytes that came before may be as well.
	Vague bool
}

// ErrBreak is what Read of a port says when a break came and no byte. The port lives on.
var ErrBreak = errors.New("a break came, and no byte")

// marker is a port that knows which of the bytes of its last Read were damaged, and where breaks came.
type marker interface {
	Marks() (damaged, breaks []int)
}

// vague is a port that cannot always say which byte was damaged: whether damage was reported with the last Read.
type vague interface{ Vague() bool }

// Damager is a Handler that wants to be told that a device server reported damage when no byte came. It is about bytes that
// came before, or about some that follow soon, which are marked then.
type Damager interface{ Damage(at time.Time) }

// Breaker is a Handler that wants to be told of breaks that came without a byte.
type Breaker interface {
	// Breaks says that the line was held low n times.
	Breaks(n int, at time.Time)
}

// HeldUnknown stands for a wait that nobody knows: of bytes that were there already when the port was opened.
const HeldUnknown = time.Duration(-1)

// emptier is a port that knows when its reader last found it empty, and whether the last Read had to wait: its bytes then
// came while it did. It is called only from the reading goroutine.
type emptier interface {
	Emptied() (last time.Time, waited bool)
}

// Open opens the port once, with the defaults filled in where the configuration says nothing. The error is a *[Trouble].
func (c Config) Open(ctx context.Context) (Port, error) {
	if err := c.refuse(); err != nil {
		return nil, err
	}
	c = c.withDefaults()
	if c.isTCP() {
		return openTCP(ctx, c)
	}
	if c.isRFC2217() {
		return openRFC2217(ctx, c)
	}
	if t := c.ambiguous(); t != nil {
		return nil, t
	}
	if c.Driver == DriverNative {
		return openNative(c)
	}
	return openLibrary(c)
}

// Codes of the conditions that a port can be in. At most one holds for a port.
const (
	CodeMissing = health.PortMissing // there is no such port, or nobody answers
	CodeBusy    = health.PortBusy    // another program has it
	CodeRefused = health.PortRefused // the system or the driver does not let us use it so
	CodeLost    = health.PortLost    // it was open and went away
)

// Trouble is why a port cannot be used, in words for the person who must do something about it.
type Trouble struct {
	Code     string // one of the Code constants
	Sentence string // what happened, where
	Remedy   string // what to do
	Err      error  // what the system said, if anything
}

func (t *Trouble) Error() string {
	if t.Err != nil {
		return fmt.Sprintf("%s (%v). %s", strings.TrimSuffix(t.Sentence, "."), t.Err, t.Remedy)
	}
	return t.Sentence + " " + t.Remedy
}

func (t *Trouble) Unwrap() error { return t.Err }
