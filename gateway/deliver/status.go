package deliver

import (
	"encoding/json"
	"time"

	"weighpost/gateway/record"
)

// States of a sink.
const (
	Working  = "working"
	Retrying = "retrying" // the last attempt failed; it is tried again by itself
	Waiting  = "waiting"  // the destination asked for time
	Stopped  = "stopped"  // a person is needed; probed now and then
	Paused   = "paused"   // somebody stopped the deliveries for a time
)

// Status is how one sink is doing, for the page and the metrics. Delivered counts since the start of the daemon, Parked is
// what is set aside now.
type Status struct {
	Sink  string `json:"sink"`
	State string `json:"state"`
	Why   string `json:"why,omitempty"` // what the last failure said
	// Delivered counts entries that the sink accepted. An entry that was delivered again after a failure that only looked
	// like one counts once; how often it arrived, only the destination knows.
	Delivered   uint64    `json:"delivered"`
	Parked      uint64    `json:"parked"`
	Cursor      uint64    `json:"cursor"` // entries up to this sequence are done with
	Head        uint64    `json:"head"`   // of the journal, at the time of the call
	Lag         uint64    `json:"lag"`    // entries between cursor and head, wanted or not
	LastSuccess time.Time `json:"last_success,omitzero"`
	// LastError is what went wrong last, also where it works again, and FailedAt when.
	LastError string    `json:"last_error,omitempty"`
	FailedAt  time.Time `json:"failed_at,omitzero"`
	NextTry   time.Time `json:"next_try,omitzero"` // when it is tried again by itself
	// BehindSince is when the oldest entry happened that the sink has not had, as far as that is known.
	BehindSince time.Time `json:"behind_since,omitzero"`
	Checkpoint  uint64    `json:"checkpoint,omitempty"` // sequence of the last checkpoint that the destination took

	// Remedy is what to do about the state, in a sentence or two; "" where there is nothing.
	Remedy string `json:"remedy,omitempty"`
	// Waiting is how many entries that the sink wants it has not had. With AtLeast there may be more: Runner.Waiting counts on.
	Waiting uint64 `json:"waiting"`
	AtLeast bool   `json:"at_least,omitempty"`
	// Oldest is the entry that has waited longest, where it is known.
	Oldest *record.EntryRef `json:"oldest,omitempty"`
	// PerMinute is how many entries were delivered a minute, over the last five minutes or since the start if that is less.
	PerMinute float64   `json:"per_minute"`
	Paused    *PausedBy `json:"paused,omitempty"` // nil: not paused
	// Held is how many wanted entries were passed over since the start because nobody had released them.
	Held uint64 `json:"held,omitempty"`
}

// Status may be called from any goroutine.
func (r *Runner) Status() Status {
	head := r.log.Head()
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.status
	s.Head, s.PerMinute = head, r.rate.perMinute(time.Now())
	s.AtLeast = r.releasing || head > r.lookedAt
	if s.Paused = r.paused; r.paused != nil {
		s.State, s.Why, s.Remedy = Paused, r.paused.words(), pauseRemedy
	}
	if head > s.Cursor {
		s.Lag = head - s.Cursor
		s.BehindSince = happened(r.oldest.said)
		if s.Oldest = nil; r.oldest.place > 0 {
			s.Oldest = &record.EntryRef{Seq: r.oldest.entry.Seq, ID: r.oldest.entry.ID}
		}
	}
	return s
}

// happened is when an entry says that it happened; the zero time where it does not say.
func happened(raw []byte) time.Time {
	var e struct {
		Stamp struct {
			UTC record.UTC `json:"utc"`
		} `json:"stamp"`
	}
	if len(raw) == 0 || json.Unmarshal(raw, &e) != nil {
		return time.Time{}
	}
	return e.Stamp.UTC.Time()
}

// first notes which entry is the oldest that the sink has not had.
func (r *Runner) first() {
	var oldest due
	if len(r.pending) > 0 {
		oldest = r.pending[0]
	}
	r.setOldest(oldest)
	r.looked()
}

func (r *Runner) setOldest(d due) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.oldest = d
}

// missed keeps what went wrong.
func (r *Runner) missed(err error) {
	r.show(func(s *Status) { s.LastError, s.FailedAt = short(err), time.Now() })
}

func (r *Runner) show(change func(*Status)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change(&r.status)
}
