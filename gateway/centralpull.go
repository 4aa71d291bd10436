package gateway

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"weighpost/gateway/central"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

const (
	pullAgain = time.Minute // after the file could not be had: then twice as long each time, up to the usual period

	// Entries of refused files: so many at once, and one more each hour. What else is refused is a condition and a line of the log.
	refusedBurst = 5
	refusedEvery = time.Hour
)

// pulled is what keepCentral remembers.
type pulled struct {
	source  central.Source
	told    string // the refusal that an entry tells
	budget  float64
	filled  time.Time
	missing int // pulls in a row without a file
}

// pullNow asks for a pull before it is due.
func (g *Gateway) pullNow() {
	select {
	case g.pull <- struct{}{}:
	default:
	}
}

// keepCentral pulls signed settings while the configuration asks for it. Many gateways do that at one place: none is exactly on time.
func (g *Gateway) keepCentral(ctx context.Context) {
	p := &pulled{budget: refusedBurst, filled: time.Now()}
	for {
		wait := time.Hour
		if cfg := g.now.Load().cfg.Central; cfg.On() {
			wait = g.pullCentral(ctx, p, cfg)
			wait += time.Duration(rand.Int64N(int64(wait/10) + 1))
		} else {
			g.board.Clear(health.CentralUnreached, centralSubject)
			g.board.Clear(health.CentralRefused, centralSubject)
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-g.pull:
			timer.Stop()
		case <-timer.C:
		}
	}
}

const centralSubject = "central settings"

// pullCentral looks once for a file, takes what may be taken, and gives the time until it looks again.
func (g *Gateway) pullCentral(ctx context.Context, p *pulled, cfg central.Config) time.Duration {
	b, err := p.source.Fetch(ctx, cfg)
	if ctx.Err() != nil {
		return cfg.Period()
	}
	if err != nil && !errors.Is(err, central.ErrTooLarge) {
		g.centralUnreached(p, cfg, err)
		return min(cfg.Period(), pullAgain<<min(p.missing-1, 10))
	}
	if p.missing > 0 {
		g.log.Info("central settings can be had again", "from", cfg.Shown())
	}
	p.missing = 0
	g.board.Clear(health.CentralUnreached, centralSubject)
	var j *judged
	taken := false
	if err == nil {
		j, taken, err = g.takeCentral(ctx, b)
	}
	switch {
	case errors.Is(err, ErrStopping) || ctx.Err() != nil:
	case err != nil:
		g.centralRefused(ctx, p, cfg, j, err)
	default:
		p.told = ""
		g.board.Clear(health.CentralRefused, centralSubject)
		if taken {
			g.log.Info("central settings were taken", "from", cfg.Shown(), "serial", j.state.Serial, "signed", strings.Join(j.state.Signed, ", "))
		}
	}
	return cfg.Period()
}

// centralHolds says what goes on meanwhile.
func (g *Gateway) centralHolds() string {
	if last := g.taken.Load(); last != nil {
		return fmt.Sprintf("weighpost goes on by what was taken last, serial number %d", last.Serial)
	}
	return "weighpost goes on by its own configuration"
}

func (g *Gateway) centralUnreached(p *pulled, cfg central.Config, err error) {
	if p.missing++; p.missing == 1 {
		g.log.Warn("central settings cannot be had", "from", cfg.Shown(), "err", err)
	}
	g.board.Raise(health.Condition{
		Code: health.CentralUnreached, Subject: centralSubject, Severity: health.Notice,
		Sentence: fmt.Sprintf("The central settings at %s cannot be had: %v. %s.", cfg.Shown(), err, upper(g.centralHolds())),
		Remedy:   "Mend what the sentence names; it is tried again by itself.",
	})
}

// centralRefused says that a file was not taken: always by a condition, and by an entry where that says something new, few enough that nobody
// fills the disk by changing the file again and again.
func (g *Gateway) centralRefused(ctx context.Context, p *pulled, cfg central.Config, j *judged, err error) {
	sentence := fmt.Sprintf("the central settings at %s were not taken, and nothing has changed: %v", cfg.Shown(), err)
	g.board.Raise(health.Condition{
		Code: health.CentralRefused, Subject: centralSubject, Severity: health.Warning, Sentence: upper(sentence) + ". " + upper(g.centralHolds()) + ".",
		Remedy: "Whoever signs the settings mends what the sentence names and signs anew, with a higher serial number; weighpost validate central tells the same of a file. " +
			"Where nobody here has signed the file, find out who put it there.",
	})
	if p.told == sentence {
		return
	}
	p.told = sentence
	g.log.Error("the central settings were refused", "from", cfg.Shown(), "why", err)
	now := time.Now()
	p.budget = min(refusedBurst, p.budget+now.Sub(p.filled).Hours()/refusedEvery.Hours())
	p.filled = now
	if p.budget < 1 {
		return
	}
	p.budget--
	by := record.Actor{ID: "central settings", By: record.ActorSchedule, Where: cfg.Shown()}
	if j != nil { // its signature is right
		by = j.by()
	}
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	hash := g.now.Load().software.Config
	_, err = g.journal.Append(limit, &record.Configured{From: hash, To: hash, Changes: []string{}, Refused: sentence, By: &by, Stamp: g.stamp()})
	if err != nil {
		g.log.Error("the refused central settings are not in the journal", "err", err)
	}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
