package samples

import (
	"errors"
	"time"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "samples.json"

const snapshotForm = "weighpost.samples/1"

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	follow.Mark
	Samples []*sample  `json:"samples"`
	Weighed []weighing `json:"weighed"`
}

type weighing struct {
	Balance string     `json:"balance"`
	Sample  string     `json:"sample"`
	At      record.UTC `json:"at"`
}

// begin makes what was written down what is known.
func (r *Room) begin(s *snapshot) {
	for _, one := range s.Samples {
		r.known[one.ID] = one
	}
	for _, w := range s.Weighed {
		r.weighed[pair{w.Balance, w.Sample}] = w.At.Time()
	}
}

// snapshot is what is to be written down. A sample that was announced is never altered, only replaced.
func (r *Room) snapshot() *snapshot {
	s := &snapshot{}
	for _, one := range r.known {
		s.Samples = append(s.Samples, one)
	}
	oldest := time.Now().Add(-remembered)
	for key, at := range r.weighed {
		if at.After(oldest) {
			s.Weighed = append(s.Weighed, weighing{key.balance, key.sample, record.UTC(at)})
		}
	}
	return s
}

// Whole says with an error why a snapshot cannot be one that was written.
func (s *snapshot) Whole() error {
	if len(s.Samples) > Most || len(s.Weighed) > mostWeighed {
		return errors.New("it has another form")
	}
	for _, one := range s.Samples {
		if one == nil || one.Check() != nil || one.Seq > s.Seq {
			return errors.New("it holds a sample that cannot be one")
		}
	}
	return nil
}
