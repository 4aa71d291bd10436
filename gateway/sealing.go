package gateway

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
	"weighpost/sinks"
)

// When it is looked whether something is to be sealed.
const (
	sealLook  = 10 * time.Second
	sealFirst = time.Minute // after the start, which has enough to do
)

// sealOrder is a sealing that somebody asked for.
type sealOrder struct {
	request record.SealRequest
	by      record.Actor
}

// keepSealing seals old entries as the configuration asks, and when somebody does.
func (g *Gateway) keepSealing(ctx context.Context) {
	due := time.Now().Add(sealFirst)
	tick := time.NewTicker(sealLook)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case o := <-g.sealOrders:
			g.sealNow(ctx, o.request, o.by)
		case now := <-tick.C:
			if c := g.now.Load().cfg.Journal.Retention.WithDefaults(); c.Asked() && !now.Before(due) {
				g.sealNow(ctx, record.SealRequest{}, record.Actor{ID: "retention", By: record.ActorSchedule})
				due = time.Now().Add(c.Every.D())
			}
		}
	}
}

// sealNow seals, and says in a condition what went wrong.
func (g *Gateway) sealNow(ctx context.Context, r record.SealRequest, by record.Actor) {
	now := g.now.Load()
	o, err := SealOptions(now.cfg, r, by, g.stamp, now.storer)
	var done journal.Sealed
	if err == nil {
		done, err = g.journal.Seal(ctx, o)
	}
	for _, s := range done.Segments {
		g.log.Info("sealed", "first", s.First, "last", s.Last, "file", s.File, "bytes", s.Bytes)
	}
	switch {
	case ctx.Err() != nil: // the next start goes on where this one was cut short
	case err != nil:
		g.log.Warn("old entries could not be sealed", "err", err)
		g.board.Raise(health.Condition{
			Code: health.SealingFailed, Subject: "journal", Severity: health.Warning,
			Sentence: fmt.Sprintf("Old entries could not be sealed: %v.", err),
			Remedy:   sealRemedy(err) + " Nothing leaves journal.db before every copy was verified; it is tried again by itself.",
		})
	default:
		g.board.Clear(health.SealingFailed, "journal")
	}
}

func sealRemedy(err error) string {
	var copying *journal.CopyFault
	if errors.As(err, &copying) {
		return fmt.Sprintf("See that %s can be reached and has room.", copying.Where)
	}
	return "See what it says."
}

// storer gives a sink that keeps files.
func (r *running) storer(id string) (sinks.Storer, error) {
	for _, s := range r.sinks {
		if s.cfg.Delivery.ID == id && s.store != nil {
			return s.store, nil
		}
	}
	return nil, fmt.Errorf("the sink %s does not run, or keeps no files", id)
}

// SealOptions says what may be sealed by a configuration and a request, which may be empty. store gives a sink that keeps
// files.
func SealOptions(cfg *config.Config, r record.SealRequest, by record.Actor, stamp func() record.Stamp,
	store func(id string) (sinks.Storer, error)) (journal.SealOptions, error) {
	c := cfg.Journal.Retention
	o := c.Options(stamp().UTC.Time())
	if !r.Before.IsZero() {
		o.Before, o.Late, o.All = r.Before, time.Time{}, true
		o.Rule = fmt.Sprintf("somebody asked for entries from before %s", r.Before.UTC().Format(time.RFC3339))
	} else if !c.Asked() {
		return o, fmt.Errorf("the configuration does not say when entries are old enough (journal: retention: after): say before which date")
	}
	o.By, o.Reason, o.Stamp = by, r.Reason, stamp
	o.Readers = []journal.SealReader{{Cursor: roster.Place, Why: "a start needs the entries after %d, for the configuration that holds"}}
	for _, s := range cfg.Sinks {
		id := s.Delivery.ID
		o.Readers = append(o.Readers, journal.SealReader{Cursor: id, Why: "the sink " + id + " has had the entries up to %d only"})
	}
	if c.Folder != "" {
		o.Places = append(o.Places, journal.InFolder(c.Folder))
	}
	for _, id := range c.Sinks {
		p := sinkPlace{id: id}
		for _, s := range cfg.Sinks {
			if s.Delivery.ID == id {
				p.to = s.Settings.Destination()
			}
		}
		var err error
		if p.Storer, err = store(id); err != nil {
			return o, fmt.Errorf("segments are to be copied to the sink %s: %w", id, err)
		}
		o.Places = append(o.Places, p)
	}
	return o, nil
}

// sinkPlace is a sink as a place for copies of segments.
type sinkPlace struct {
	sinks.Storer
	id, to string
}

const segmentFolder = "_segments/"

func (p sinkPlace) Where() string {
	return fmt.Sprintf("the sink %s (%s, %s)", p.id, p.to, segmentFolder[:len(segmentFolder)-1])
}

func (p sinkPlace) Store(ctx context.Context, name string, r io.Reader) error {
	return p.Storer.Store(ctx, segmentFolder+name, r)
}

func (p sinkPlace) Fetch(ctx context.Context, name string) (io.ReadCloser, error) {
	return p.Storer.Fetch(ctx, segmentFolder+name)
}

// ErrSealing is what Seal returns while entries are being sealed already.
var ErrSealing = errors.New("entries are being sealed already: wait until that is done")

// Seal says what would be sealed or, where the request asks for more, begins it and does not wait.
func (g *Gateway) Seal(ctx context.Context, r record.SealRequest, by record.Actor) (record.SealPlan, error) {
	now := g.now.Load()
	o, err := SealOptions(now.cfg, r, by, g.stamp, now.storer)
	if err != nil {
		return record.SealPlan{}, err
	}
	plan, err := g.journal.PlanSealing(ctx, o)
	if err != nil || r.DryRun {
		return plan, err
	}
	select {
	case g.sealOrders <- sealOrder{r, by}:
		plan.Started = true
		return plan, nil
	default:
		return plan, ErrSealing
	}
}

// Storers opens sinks of a configuration to keep files in them, while no daemon has them.
type Storers struct {
	Config *config.Config
	list   []sinks.Sink
}

// Open opens one.
func (o *Storers) Open(id string) (sinks.Storer, error) {
	for _, s := range o.Config.Sinks {
		if s.Delivery.ID != id {
			continue
		}
		to, err := s.Open(sinks.Env{Site: o.Config.Site, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			return nil, err
		}
		o.list = append(o.list, to)
		if store, ok := to.(sinks.Storer); ok {
			return store, nil
		}
	}
	return nil, fmt.Errorf("there is no sink %s that keeps files", id)
}

// Close closes those that were opened.
func (o *Storers) Close() (err error) {
	for _, s := range o.list {
		err = errors.Join(err, s.Close())
	}
	return err
}
