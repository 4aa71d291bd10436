package authority

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp"
)

// Journal is what a keeper needs of the journal.
type Journal interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	// Checkpoint signs the head and gives the signed note with the number of entries that it covers.
	Checkpoint(ctx context.Context) (seq uint64, signedNote []byte, err error)
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Keeper has the journal's head time-stamped regularly while it moves. It never hinders recording: it asks for a checkpoint and
// appends an entry, as anybody does. Run owns it.
type Keeper struct {
	Journal Journal
	Config  func() Config // as of now: taken anew at each round
	Stamp   func() record.Stamp
	Health  *health.Board
	Log     *slog.Logger

	last   uint64    // sequence of the last time-stamped entry; 0: none is known
	when   time.Time // when that was, on the Go runtime's clock; zero: not known
	next   time.Time // not before this, after a failure
	pause  time.Duration
	failed bool
	tried  Config // by which it was last asked
}

const (
	look       = 10 * time.Second // how often it is seen whether something is due: a reload counts within that time
	firstPause = time.Minute
	lastPause  = time.Hour

	// lookBack is how many entries are read at a start to find the last time-stamp. Where it lies further back, one more is
	// asked for.
	lookBack     = 20_000
	lookBackStep = 500
)

// Run asks when it is time to, until ctx ends.
func (k *Keeper) Run(ctx context.Context) {
	known := false
	tick := time.NewTicker(look)
	defer tick.Stop()
	for {
		cfg := k.Config()
		if cfg.Asks() && !known {
			known = k.find(ctx) == nil
		}
		if cfg != k.tried { // mended by a person, perhaps
			k.tried, k.next = cfg, time.Time{}
		}
		switch {
		case !cfg.Asks():
			k.mended()
		case known && k.due(cfg, time.Now()):
			k.round(ctx, cfg)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// find looks for the last time-stamp in the journal.
func (k *Keeper) find(ctx context.Context) error {
	head := k.Journal.Head()
	now := k.Stamp().UTC.Time()
	for end := head; end > 0 && head-end < lookBack; {
		after := end - min(end, lookBackStep)
		entries, err := k.Journal.Read(ctx, after, int(end-after))
		if err != nil {
			return err
		}
		for i := len(entries) - 1; i >= 0; i-- {
			if entries[i].Kind != record.KindTimestamped {
				continue
			}
			var e record.Timestamped
			if err := json.Unmarshal(entries[i].JSON, &e); err != nil {
				return err
			}
			k.last, k.when = entries[i].Seq, time.Now().Add(-max(0, now.Sub(e.Stamp.UTC.Time())))
			return nil
		}
		end = after
	}
	return nil
}

// due says whether to ask now: the head moved beyond the last time-stamp, and its time has passed.
func (k *Keeper) due(cfg Config, now time.Time) bool {
	return k.Journal.Head() > k.last && !now.Before(k.next) && (k.when.IsZero() || now.Sub(k.when) >= cfg.Period())
}

// round asks once. What goes wrong is a condition, and tried again later and later.
func (k *Keeper) round(ctx context.Context, cfg Config) {
	err := k.stamp(ctx, cfg)
	if ctx.Err() != nil {
		return
	}
	if err == nil {
		k.mended()
		return
	}
	k.pause = min(max(firstPause, 2*k.pause), lastPause, cfg.Period())
	k.next = time.Now().Add(k.pause)
	k.failed = true
	k.Log.Warn("no outside time-stamp", "why", err, "next", k.pause)
	k.Health.Raise(health.Condition{
		Code: health.TimestampFailed, Subject: "journal", Severity: health.Warning,
		Sentence: fmt.Sprintf("No outside time-stamp could be had for the journal: %v.", err),
		Remedy:   remedy(err) + " It is tried again by itself, and recording goes on.",
		From:     health.Through(hostname(cfg.URL)),
	})
}

// remedy says what to do about an error.
func remedy(err error) string {
	var none *timestamp.NotGranted
	if errors.As(err, &none) {
		return "Ask the authority what it takes, or leave out journal: timestamp: policy."
	}
	return "See url, ca_file and password under journal: timestamp, and that the authority can be reached."
}

func hostname(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		return ""
	}
	return u.Hostname()
}

func (k *Keeper) mended() {
	k.pause, k.next = 0, time.Time{}
	if k.failed {
		k.failed = false
		k.Health.Clear(health.TimestampFailed, "journal")
	}
}

// stamp has the present head time-stamped, and appends what came.
func (k *Keeper) stamp(ctx context.Context, cfg Config) error {
	size, note, err := k.Journal.Checkpoint(ctx)
	if err != nil {
		return fmt.Errorf("the journal gives no checkpoint: %w", err)
	}
	token, err := Ask(ctx, cfg, note, k.Stamp)
	if err != nil {
		return err
	}
	entry := EntryOf(token, size, note)
	entry.URL, entry.Stamp = shownURL(cfg.URL), k.Stamp()
	entries, err := k.Journal.Append(ctx, entry)
	if err != nil {
		return fmt.Errorf("a time-stamp came and could not be recorded: %w", err)
	}
	k.last, k.when = entries[0].Seq, time.Now()
	k.Log.Info("the journal was time-stamped", "by", entry.Authority, "at", entry.GenTime, "entries", size)
	return nil
}

// EntryOf says of a token what an entry says, but for where and when it was asked for.
func EntryOf(token *timestamp.Token, size uint64, note []byte) *record.Timestamped {
	e := &record.Timestamped{
		Size: size, Checkpoint: string(note), Token: token.Raw, GenTime: record.UTC(token.GenTime), Authority: token.Authority(),
		Policy: token.Policy.String(), Serial: token.Serial.String(), By: record.Actor{ID: "weighpost", By: record.ActorSchedule},
	}
	if token.Accuracy > 0 {
		accuracy := record.Span(token.Accuracy)
		e.Accuracy = &accuracy
	}
	return e
}

// shownURL is a URL without what follows a ?, which may hold a secret.
func shownURL(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		return ""
	}
	host := u.Hostname()
	if u.Port() != "" {
		host = net.JoinHostPort(host, u.Port())
	}
	return u.Scheme + "://" + host + u.EscapedPath()
}
