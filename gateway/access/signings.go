package access

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/health"
)

// refusedShown is how long an attempt to sign that failed is shown as a condition, and mostRefused of how many people.
const (
	refusedShown = 24 * time.Hour
	mostRefused  = 1000
)

// signings are the continuous periods in which people sign (21 CFR 11.200(a)(1)): one lies within a session and ends with it, or when
// nothing was signed for a while. They are in memory, as sessions are: a start ends all. Beside them are attempts that failed.
type signings struct {
	mu      sync.Mutex
	last    map[string]time.Time // of the last signature, by session
	refusal map[string]refusedSigning
}

// refusedSigning is what is told of attempts of one account.
type refusedSigning struct {
	person, run, why string
	times            int
	at               time.Time
}

// lasts says whether the period of a session goes on. Both clocks have to say so: the monotonic one, and that on the wall, in case this
// computer slept.
func (p *signings) lasts(session string, now time.Time, idle time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	last, there := p.last[session]
	return there && now.Sub(last) < idle && now.Round(0).Sub(last.Round(0)) < idle
}

// signed begins a period or goes on with it.
func (p *signings) signed(session string, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.last == nil {
		p.last = map[string]time.Time{}
	}
	p.last[session] = now
}

// end ends the period of a session.
func (p *signings) end(session string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.last, session)
}

// refused notes an attempt. Where there are very many people whose attempts failed, the oldest is not shown any more.
func (p *signings) refused(id, person, run, why string, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.refusal == nil {
		p.refusal = map[string]refusedSigning{}
	}
	if _, there := p.refusal[id]; !there && len(p.refusal) >= mostRefused {
		oldest := id
		for other, one := range p.refusal {
			if oldest == id || one.at.Before(p.refusal[oldest].at) {
				oldest = other
			}
		}
		delete(p.refusal, oldest)
	}
	p.refusal[id] = refusedSigning{person, run, why, p.refusal[id].times + 1, now}
}

// conditions tells of attempts that failed lately, and forgets older ones.
func (p *signings) conditions(now time.Time) (list []health.Condition) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for id, r := range p.refusal {
		if now.Sub(r.at) >= refusedShown {
			delete(p.refusal, id)
			continue
		}
		list = append(list, health.Condition{Code: health.SignatureRefused, Subject: id, Severity: health.Warning,
			Sentence: fmt.Sprintf("%d attempts to sign as %s failed, the last at %s under the run %s: %s.", r.times, r.person, r.at.UTC().Format("2006-01-02 15:04:05 UTC"), r.run, r.why),
			Remedy:   "Ask them whether it was them, and at which screen. If not, end their sessions and have the secret changed: see the entries signature-refused."})
	}
	slices.SortFunc(list, func(a, b health.Condition) int { return cmp.Compare(a.Subject, b.Subject) })
	return list
}
