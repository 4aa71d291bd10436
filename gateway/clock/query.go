package clock

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"

	"github.com/beevik/ntp"
)

// Verdicts on a server, as in record.TimeServer.
const (
	Agreeing    = "agreeing"    // its interval covers what a majority agrees on
	Falseticker = "falseticker" // it does not
	Undecided   = "undecided"   // it answered, and there is no majority to judge it by
	Silent      = "silent"      // no answer came, or it has not been asked yet
	Refused     = "refused"     // an answer came that must not be used
)

// answer is what came of one question.
type answer struct {
	server string
	sample sample
	peer   string // address that answered
	// What follows is for an answer that cannot be used.
	verdict string // "", Silent or Refused
	why     string // a clause: "it says that it is not synchronised"
	kiss    string // the code of a kiss of death (RFC 5905 section 7.4)
}

// asker asks one server, once, and gives up when ctx ends.
type asker func(ctx context.Context, server string) (r *ntp.Response, peer string, err error)

// network asks over UDP. Both of our times of the exchange are read from the raw clock, so that nobody who sets the system's
// clock meanwhile can spoil the answer.
func network(raw func() time.Duration) asker {
	return func(ctx context.Context, server string) (r *ntp.Response, peer string, err error) {
		limit, ok := ctx.Deadline()
		if !ok {
			return nil, "", errors.New("no time limit is set")
		}
		stop := func() bool { return true }
		r, err = ntp.QueryWithOptions(address(server), ntp.QueryOptions{
			Timeout:       time.Until(limit),
			Extensions:    []ntp.Extension{guard{}},
			GetSystemTime: func() time.Time { return time.Unix(0, int64(raw())) },
			Dialer: func(_, remote string) (net.Conn, error) {
				conn, err := (&net.Dialer{}).DialContext(ctx, "udp", remote)
				if err != nil {
					return nil, err
				}
				peer = conn.RemoteAddr().String()
				stop = context.AfterFunc(ctx, func() { _ = conn.Close() })
				return conn, nil
			},
		})
		stop()
		return r, peer, err
	}
}

// errCoarse is an answer whose numbers no server has.
var errCoarse = errors.New("its precision or poll interval is no possible one")

// guard looks at an answer before the library reads it. In beevik/ntp v1.6.0 an exponent of -128 is a shift by a negative count,
// which ends the program: one forged datagram would do.
type guard struct{}

func (guard) ProcessQuery(*bytes.Buffer) error { return nil }

// ProcessResponse refuses poll (byte 2) and precision (byte 3) that are powers of two out of reach (RFC 5905 section 7.3).
func (guard) ProcessResponse(b []byte) error {
	if len(b) >= 4 && (int8(b[2]) < -62 || int8(b[2]) > 32 || int8(b[3]) < -62 || int8(b[3]) > 0) {
		return errCoarse
	}
	return nil
}

// question asks one server and judges its answer by itself.
func (c *Clock) question(ctx context.Context, server string, cfg Config) answer {
	limited, cancel := context.WithTimeout(ctx, cfg.Timeout.D())
	defer cancel()
	before := c.ticker.read()
	r, peer, err := c.ask(limited, server)
	after := c.ticker.read()
	a := answer{server: server, peer: peer}
	switch {
	case err != nil:
		a.verdict, a.why = fault(err)
	case slept(before.Asleep, after.Asleep, before.Slack+after.Slack) != 0:
		a.verdict, a.why = Refused, "the computer slept before its answer came"
	default:
		a.judge(r, c.ppm(cfg), c.ticker.precision, max(maxDistance, cfg.Ceiling.D()))
	}
	a.sample.asleep = after.Asleep
	return a
}

// judge takes an answer as a sample or says why it cannot be one.
func (a *answer) judge(r *ntp.Response, ppm int64, precision, furthest time.Duration) {
	a.verdict = Refused
	if kiss := r.KissCode; r.Stratum == 0 && kiss != "" {
		a.kiss, a.why = kiss, fmt.Sprintf("it sends us away (kiss of death %q)", kiss)
		return
	}
	if r.Leap == ntp.LeapNotInSync || r.Stratum == 0 {
		a.why = "it says that it is not synchronised"
		return
	}
	if err := r.Validate(); err != nil {
		_, a.why = fault(err)
		return
	}
	s, ok := measure(r, ppm, precision)
	if !ok {
		a.why = "it claims to have taken longer than the whole exchange took"
		return
	}
	if d := s.distance(s.at, ppm); d > furthest {
		a.why = fmt.Sprintf("it may be wrong by %s, which is too much to be of use", d.Round(time.Millisecond))
		return
	}
	a.verdict, a.sample = "", s
}

// fault says in a clause what an error of a question means.
func fault(err error) (verdict, why string) {
	var dns *net.DNSError
	switch {
	case errors.Is(err, ntp.ErrServerResponseMismatch):
		return Refused, "the answer belongs to no question of ours: forged, or far too late"
	case errors.Is(err, ntp.ErrInvalidDispersion):
		return Refused, "it says itself that it may be wrong by more than 16 s"
	case errors.Is(err, ntp.ErrInvalidStratum):
		return Refused, "it has no usable stratum"
	case errors.Is(err, ntp.ErrInvalidLeapSecond):
		return Refused, "it says that it is not synchronised"
	case errors.Is(err, ntp.ErrServerClockFreshness):
		return Refused, "it has not been set for more than a day"
	case errors.Is(err, ntp.ErrInvalidTime), errors.Is(err, ntp.ErrInvalidTransmitTime), errors.Is(err, ntp.ErrServerTickedBackwards),
		errors.Is(err, ntp.ErrInvalidMode), errors.Is(err, errCoarse):
		return Refused, "what it sent is no usable answer (" + err.Error() + ")"
	case errors.As(err, &dns):
		return Silent, "its name cannot be resolved"
	case errors.Is(err, syscall.ECONNREFUSED):
		return Silent, "nothing answers on that port"
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, context.DeadlineExceeded), errors.Is(err, net.ErrClosed):
		return Silent, "no answer came in time"
	}
	return Silent, "it cannot be reached (" + err.Error() + ")"
}
