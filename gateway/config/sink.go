package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/deliver"
	"weighpost/gateway/intake"
	"weighpost/gateway/lending"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/all"
)

// Sink is one configured destination: what every sink has, and the settings of its kind beside it in the same mapping.
type Sink struct {
	Kind     string         `yaml:"kind" desc:"What kind of destination it is."`
	Delivery deliver.Config `canonical:"inline"`
	Settings all.Config     `canonical:"inline"`
}

// Open makes the sink.
func (s *Sink) Open(env sinks.Env) (sinks.Sink, error) { return s.Settings.Open(s.Delivery.ID, env) }

// ErrNoPreview says that a kind of sink cannot show what it would send.
var ErrNoPreview = errors.New("destinations of this kind cannot show what they would send")

// Preview shows what the sink would send for one entry. It asks nobody and touches nothing. The error is ErrNoPreview, or says why the
// sink would refuse the entry.
func (s *Sink) Preview(env sinks.Env, e record.Entry) (sinks.Shown, error) {
	p, ok := s.Settings.(all.Previewing)
	if !ok {
		return sinks.Shown{}, ErrNoPreview
	}
	if closed, ok := s.Settings.(all.PreviewingClosed); ok && s.Delivery.Closed != "" {
		return closed.PreviewClosed(s.Delivery.ID, env, e)
	}
	return p.Preview(s.Delivery.ID, env, e)
}

// NewSink is a sink of a kind with what applies where a file says nothing, or false if there is no such kind.
func NewSink(kind string) (Sink, bool) {
	for _, k := range all.Kinds {
		if k.Name == kind {
			s := Sink{Kind: kind, Delivery: *deliver.Default(), Settings: k.NewConfig()}
			if one, ok := s.Settings.(all.Usually); ok {
				s.Delivery.Entries = nil
				for _, kind := range one.Usual() {
					s.Delivery.Entries = append(s.Delivery.Entries, string(kind))
				}
			}
			return s, true
		}
	}
	return Sink{}, false
}

// UnmarshalNode reads a sink from a file: the kind tells which keys there are beside the common ones.
func (s *Sink) UnmarshalNode(n strict.Node) strict.Faults {
	kind, written := n.Key("kind")
	fresh, known := NewSink(kind)
	if known {
		*s = fresh
		return n.Load(s, &s.Delivery, s.Settings)
	}
	if !n.IsMapping() {
		return n.Load(s) // says what is wrong
	}
	names := strings.Join(kinds(), ", ")
	if !written {
		return n.Fault("the kind of the sink is missing", "kind: "+strings.Join(kinds(), ", kind: "))
	}
	return n.At("kind").Fault(fmt.Sprintf("%.40q is no kind of sink", kind), names)
}

func kinds() []string {
	var names []string
	for _, k := range all.Kinds {
		names = append(names, k.Name)
	}
	return names
}

func (c *Config) checkSinks(r *strict.Report) {
	ids, single := map[string]int{}, map[string]int{}
	published := len(c.Sinks) == 0
	for i := range c.Sinks {
		s := &c.Sinks[i]
		if s.Settings == nil {
			continue // of no known kind: that is said already
		}
		at := r.Index(i)
		p, asks := s.Settings.(all.Publishing)
		published = published || !asks || p.Publishes()
		s.Delivery.Check(at)
		s.Settings.Check(at)
		s.checkEntries(at.At("entries"))
		lending.Check(at, s.Settings)
		c.checkLent(at, s)
		s.checkClosed(at.At("closed"))
		s.noteBalances(at.At("balances"), c.Balances)
		for _, claim := range claims(s.Settings) {
			if first, taken := single[claim.What]; taken {
				at.Fault(fmt.Sprintf("has %s, which sinks[%d] has already", claim.What, first), claim.Instead)
			} else {
				single[claim.What] = i
			}
		}
		if first, taken := ids[s.Delivery.ID]; taken && s.Delivery.ID != "" {
			at.At("id").Fault(fmt.Sprintf("%q is the id of sinks[%d] already", s.Delivery.ID, first), "an id of its own for each sink")
		} else {
			ids[s.Delivery.ID] = i
		}
	}
	if !published {
		r.Note("no sink takes the journal's checkpoints, so that nobody else holds what a cut journal could be found by: give a sink " +
			"of kind http an address for checkpoints, or add one of another kind")
	}
}

// checkLent refuses a sink the serial port of a balance.
func (c *Config) checkLent(at *strict.Report, s *Sink) {
	serially, ok := s.Settings.(sinks.Serially)
	if !ok {
		return
	}
	key, line := serially.Serial()
	if line == nil || line.Address == "" {
		return
	}
	for i := range c.Balances {
		if b := &c.Balances[i]; samePort(b.Port.Address) == samePort(line.Address) {
			at.At(key).At("address").Fault(fmt.Sprintf("is the port of balance %q (balances[%d])", b.ID, i),
				"another port; to share a balance's own line with a program, see tap")
		}
	}
}

// claims are what only one sink may have.
func claims(settings all.Config) (list []sinks.Claim) {
	if one, ok := settings.(all.Single); ok {
		if what, instead := one.Single(); what != "" {
			list = append(list, sinks.Claim{What: what, Instead: instead})
		}
	}
	if several, ok := settings.(all.Claiming); ok {
		list = append(list, several.Claims()...)
	}
	return list
}

// checkEntries refuses entries that the sink cannot carry.
func (s *Sink) checkEntries(r *strict.Report) {
	limited, ok := s.Settings.(all.Limited)
	if !ok {
		return
	}
	for _, kind := range s.Delivery.Wants() {
		if !limited.Carries(kind) {
			r.Fault(fmt.Sprintf("the sink is to get entries of the kind %s and cannot carry them as it is set", kind),
				"entries: [weighing, result], or other settings of the sink")
			return
		}
	}
}

// checkClosed refuses closed batches for a sink that takes none.
func (s *Sink) checkClosed(r *strict.Report) {
	if s.Delivery.Closed == "" {
		return
	}
	collecting, ok := s.Settings.(all.Collecting)
	if !ok {
		r.Fault("a sink of kind "+s.Kind+" takes no closed batches", "leave it out, or a sink of another kind")
		return
	}
	if yes, why := collecting.Collects(); !yes {
		r.Fault("the sink takes no closed batches as it is set", why)
	}
}

// noteBalances says where a sink names a balance that is not configured: it may be one of before.
func (s *Sink) noteBalances(r *strict.Report, known []intake.Config) {
	for _, id := range s.Delivery.Balances {
		if !slices.ContainsFunc(known, func(b intake.Config) bool { return b.ID == id }) {
			r.Note(fmt.Sprintf("names balance %q, which is not configured: entries of a former balance still go out, and no others", id))
		}
	}
}
