package samples

import (
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"time"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// Options is what a room is made of.
type Options struct {
	Dir     string // the journal's folder
	Journal follow.Journal
	Stamp   func() record.Stamp
	Log     *slog.Logger // nil: nothing is logged
}

// Room knows samples. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o    Options
	view *follow.View

	// The view's lock guards these.
	known   map[string]*sample
	weighed map[pair]time.Time
	held    map[string]hold // by balance
}

// sample is one that was announced.
type sample struct {
	record.KnownSample
	Seq uint64 `json:"seq"`
}

type pair struct{ balance, sample string }

type hold struct {
	sample string
	until  time.Time // zero: no limit
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	r := &Room{o: o, known: map[string]*sample{}, weighed: map[pair]time.Time{}, held: map[string]hold{}}
	r.view = follow.New(follow.Options{Dir: o.Dir, Journal: o.Journal, Log: o.Log, Reduce: r.reduce, File: follow.Keep(FileName, snapshotForm, r.begin, r.snapshot),
		Words: follow.Words{What: "which samples are known", Of: "samples", Many: true, Busy: "other samples are being taken"}})
	return r
}

// Run follows the journal until ctx ends.
func (r *Room) Run(ctx context.Context) { r.view.Run(ctx) }

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 { return r.view.Seq() }

// reduce takes one entry.
func (r *Room) reduce(e record.Entry) error {
	switch e.Kind {
	case record.KindSampleAnnounced:
		var a record.SampleAnnounced
		if err := json.Unmarshal(e.JSON, &a); err != nil {
			return err
		}
		r.view.Changed()
		if a.Change == record.SampleEnded {
			delete(r.known, a.Sample.ID)
			return nil
		}
		r.known[a.Sample.ID] = &sample{record.KnownSample{Sample: a.Sample, Since: a.Stamp.UTC, By: a.By, Entry: e.ID}, e.Seq}
	case record.KindWeighing, record.KindResult:
		if record.OfNoSample(e) {
			return nil
		}
		var w struct {
			Stamp   struct{ UTC record.UTC }
			Context struct{ Sample *record.Learnt }
		}
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return err
		}
		if w.Context.Sample != nil {
			r.weighedAt(e.Balance, w.Context.Sample.ID, w.Stamp.UTC.Time())
		}
	}
	return nil
}

func (r *Room) weighedAt(balance, id string, at time.Time) {
	key := pair{balance, id}
	if before, ok := r.weighed[key]; ok && !before.Before(at) {
		return
	}
	if len(r.weighed) >= mostWeighed {
		r.forgetWeighed(at)
	}
	r.weighed[key] = at
	r.view.Changed()
}

// forgetWeighed makes room: what is too old goes, and if that is not a quarter, the oldest quarter.
func (r *Room) forgetWeighed(now time.Time) {
	before := now.Add(-remembered)
	var all []time.Time
	for _, at := range r.weighed {
		all = append(all, at)
	}
	slices.SortFunc(all, time.Time.Compare)
	if quarter := all[len(all)/4]; quarter.After(before) {
		before = quarter
	}
	for key, at := range r.weighed {
		if !at.After(before) {
			delete(r.weighed, key)
		}
	}
}

// Sample gives what was announced of a sample. ready is false as long as that is still being read.
func (r *Room) Sample(id string) (s record.KnownSample, known, ready bool) {
	r.view.Lock()
	defer r.view.Unlock()
	if one := r.known[id]; one != nil {
		return one.KnownSample, true, r.view.Ready()
	}
	return s, false, r.view.Ready()
}

// Hold says that a balance holds a sample until a time, in place of the one that it held; see intake.Samples.
func (r *Room) Hold(balance, id string, until, at time.Time) (others []string) {
	r.view.Lock()
	defer r.view.Unlock()
	if id == "" {
		delete(r.held, balance)
		return nil
	}
	for other, h := range r.held {
		if other != balance && h.sample == id && (h.until.IsZero() || at.Before(h.until)) {
			others = append(others, other)
		}
	}
	r.held[balance] = hold{id, until}
	slices.Sort(others)
	return others
}

// Weighed says that a sample was weighed at a balance.
func (r *Room) Weighed(balance, id string, at time.Time) {
	r.view.Lock()
	defer r.view.Unlock()
	r.weighedAt(balance, id, at)
}

// WeighedAt gives when a sample was weighed at a balance last, or zero.
func (r *Room) WeighedAt(balance, id string) time.Time {
	r.view.Lock()
	defer r.view.Unlock()
	return r.weighed[pair{balance, id}]
}
