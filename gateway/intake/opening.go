package intake

import (
	"strings"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// The silence on a line after the port was opened that shows that the next byte begins a frame: more than the pauses that
// adapters and device servers put between the bytes of one frame.
const (
	quietSerial = 50 * time.Millisecond
	quietTCP    = 250 * time.Millisecond
)

// silenceAfterOpening is what it takes at a port.
func silenceAfterOpening(p port.Config) time.Duration {
	if strings.Contains(p.Address, "://") {
		return quietTCP
	}
	return quietSerial
}

const maxCuts = 256 // of an opening frame that are tried

const beginningMissing = "its beginning may be missing: bytes were already coming when the port was opened, " +
	"and the rest of a longer line would read the same way"

// opening knows whether the first frame after the port was opened was heard from its beginning.
type opening struct {
	up      time.Time
	silence time.Duration // that shows it
	heard   bool          // bytes came
	quiet   bool          // after a silence
	why     string        // a frame that was not heard from its beginning is unread; "": none can be
}

func (o *opening) bytes(first time.Time) {
	if !o.heard {
		o.heard = true
		o.quiet = !o.up.IsZero() && first.Sub(o.up) >= o.silence
	}
}

// doubtful says whether a frame may be the rest of a longer one: no silence came before it, and the layout would also
// read what is left of it when its own beginning is cut off. "2.3450 g" is doubtful; "lot 12.3450 g" is not where
// every line begins with lot.
func (in *Intake) doubtful(f frame.Frame) bool {
	if !f.Opening || in.opening.why == "" || in.opening.quiet || in.layout.HasCheck() {
		return false
	}
	read := false
	var scratch layout.Reading
	emit := func(rest frame.Frame) {
		read = read || rest.Fault == "" && in.layout.Apply(rest, &scratch) == nil
	}
	for cut := 1; cut < min(len(f.Bytes), maxCuts) && !read; cut++ {
		s := in.layout.Splitter()
		s.Push(f.Bytes[cut:], emit)
		s.Idle(emit)
	}
	return read
}
