package clock

import (
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Seconds is a length of time with sign, written in JSON as a decimal number of seconds with six decimals.
type Seconds time.Duration

// D gives the length as the standard library has it.
func (s Seconds) D() time.Duration { return time.Duration(s) }

// MarshalJSON writes -3.000012. What is finer than a microsecond is cut off.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return []byte(strings.TrimPrefix(signed(time.Duration(s)), "+")), nil
}

// Facts is what the clock knows of itself now, for people and for metrics.
type Facts struct {
	State         string       `json:"state"` // checked, holdover, unchecked
	Since         record.UTC   `json:"since"` // since when, by the stamps of then
	Why           string       `json:"why"`   // a sentence on the state
	UTC           record.UTC   `json:"utc"`   // now
	Bound         *record.Span `json:"bound_s"`
	Ceiling       record.Span  `json:"ceiling_s"` // with a larger bound a stamp is not checked
	Sources       int          `json:"sources"`   // servers that agreed last
	LastAgreement *record.UTC  `json:"last_agreement"`
	NextQuestion  *Seconds     `json:"next_question_s"` // from now; nil where no server is configured
	Ticks         string       `json:"ticks"`           // the clock that time runs on between two agreements
	DeclaredPPM   int64        `json:"declared_drift_ppm"`
	Drift         *Drift       `json:"drift"` // as seen; nil where that is not known yet
	// Computer is by how much the computer's own clock is ahead of the stamps; nil while the stamps are its own.
	Computer *Seconds `json:"computer_ahead_s"`
	LastStep *Step    `json:"last_step"`
	Servers  []Server `json:"servers"`
}

// Server is what is known of one time server.
type Server struct {
	Address    string      `json:"address"`
	Verdict    string      `json:"verdict"` // agreeing, falseticker, undecided, silent, refused
	Why        string      `json:"why,omitempty"`
	Offset     *Seconds    `json:"offset_s"`        // of its time from the computer's clock; nil without a usable answer
	Distance   *Seconds    `json:"root_distance_s"` // how far its time may be wrong as seen from here
	Delay      *Seconds    `json:"delay_s"`         // of the round trip
	LastAnswer *record.UTC `json:"last_answer"`     // the last usable one; nil where there was none
}

// Facts says how the clock is. It may be called from any goroutine.
func (c *Clock) Facts() Facts {
	r := c.ticker.read()
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.stamp(r.Now, r.Wall)
	f := Facts{
		State: now.Clock, Since: c.since, Why: c.why, UTC: now.UTC, Bound: now.Bound, Ceiling: record.Span(c.cfg.Ceiling), Sources: now.Sources,
		Ticks: c.ticker.name, DeclaredPPM: c.ppm(c.cfg), Drift: c.drift.ppm, LastStep: c.step, Servers: make([]Server, 0, len(c.servers)),
	}
	ago := func(t time.Time) *record.UTC {
		u := record.UTC(now.UTC.Time().Add(t.Sub(r.Now)).Truncate(time.Microsecond))
		return &u
	}
	if len(c.servers) > 0 {
		f.NextQuestion = seconds(max(c.schedule.next.Sub(r.Now), 0))
	}
	if c.agreed != nil {
		f.LastAgreement = ago(c.agreed.Now)
		f.Computer = seconds(r.Wall.Sub(now.UTC.Time()))
	}
	for _, s := range c.servers {
		one := Server{Address: s.address, Verdict: s.verdict, Why: s.why}
		if s.offset != nil {
			one.Offset, one.Distance = seconds(*s.offset), seconds(s.distance)
		}
		if s.sample != nil {
			one.Delay = seconds(s.sample.delay)
		}
		if !s.answered.IsZero() {
			one.LastAnswer = ago(s.answered)
		}
		f.Servers = append(f.Servers, one)
	}
	return f
}

// record writes a server as entries name it.
func (s *server) record() record.TimeServer {
	t := record.TimeServer{Server: s.address, State: s.verdict, Why: s.why}
	if s.offset != nil {
		bound := record.Span(s.distance)
		t.Offset, t.Bound = signed(*s.offset), &bound
	}
	return t
}

func seconds(d time.Duration) *Seconds {
	s := Seconds(d)
	return &s
}

// signed writes a length of time as seconds: "+0.000012", "-3.000000". What is finer than a microsecond is cut off.
func signed(d time.Duration) string {
	sign, us := '+', uint64(d.Abs()/time.Microsecond)
	if d < 0 {
		sign = '-'
	}
	return fmt.Sprintf("%c%d.%06d", sign, us/1_000_000, us%1_000_000)
}

// spoken writes a length of time for a sentence: 2h3m, 64s, 15ms.
func spoken(d time.Duration) string {
	switch {
	case d >= time.Hour:
		d = d.Round(time.Minute)
	case d >= time.Second:
		d = d.Round(time.Second)
	default:
		d = d.Round(time.Millisecond)
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
