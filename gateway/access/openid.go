package access

import (
	"context"
	"errors"
	"net/url"
	"sync"
	"time"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	flowTime  = 10 * time.Minute // between the beginning of a sign-in at a provider and its end
	mostFlows = 1000
)

// flows are sign-ins at a provider that have begun, by their state, for a session or to sign something. Each is used once.
type flows struct {
	mu   sync.Mutex
	list map[string]flow
}

// flow is one of them.
type flow struct {
	outside.Flow
	signing *signing // what is signed by it; nil: a session begins
}

// keep remembers a flow. The oldest goes where there are too many.
func (f *flows) keep(one flow, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.list == nil {
		f.list = map[string]flow{}
	}
	oldest := ""
	for state, one := range f.list {
		if now.Sub(one.When) > flowTime {
			delete(f.list, state)
		} else if oldest == "" || one.When.Before(f.list[oldest].When) {
			oldest = state
		}
	}
	if len(f.list) >= mostFlows {
		delete(f.list, oldest)
	}
	f.list[one.State] = one
}

// use gives a flow and forgets it.
func (f *flows) use(state string, now time.Time) (flow, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	one, there := f.list[state]
	delete(f.list, state)
	return one, there && state != "" && now.Sub(one.When) <= flowTime
}

// signs says whether something is to be signed by a flow. It leaves it as it is.
func (f *flows) signs(state string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.list[state].signing != nil
}

var errNoProvider = &rights.Refused{Why: "nobody signs in by an OpenID provider here: none is configured"}

// BeginOpenID says where to send a browser that wants to sign in at the provider, and the state that it must bring back: whoever
// serves the browser binds it to that browser (RFC 6749 section 10.12). fresh: they show anew who they are.
func (b *Book) BeginOpenID(ctx context.Context, redirect string, fresh bool) (to, state string, err error) {
	provider := b.provider()
	if provider == nil {
		return "", "", errNoProvider
	}
	to, begun, err := provider.Begin(ctx, redirect, fresh)
	var down *outside.Unavailable
	if errors.As(err, &down) {
		return "", "", &rights.Refused{Why: "the provider does not answer, so nobody can sign in there now: try again later"}
	}
	if err != nil {
		return "", "", err
	}
	b.flows.keep(flow{Flow: begun}, b.o.Now())
	return to, begun.State, nil
}

// FinishOpenID signs in whoever comes back from the provider with this query. Each state is good for one attempt.
func (b *Book) FinishOpenID(ctx context.Context, query url.Values, address, where string) (rights.Session, error) {
	provider := b.provider()
	if provider == nil {
		return rights.Session{}, errNoProvider
	}
	f := from{way: record.ActorOpenID, address: address, where: where}
	begun, there := b.flows.use(query.Get("state"), b.o.Now())
	if !there || begun.signing != nil {
		b.refused(f, nil, "the answer of the provider belongs to no sign-in that was begun here within ten minutes, or came twice", false)
		return rights.Session{}, &rights.Refused{Why: "this sign-in was not begun here, took longer than ten minutes, or was used already: begin anew"}
	}
	found, err := provider.Finish(ctx, begun.Flow, query)
	if err != nil {
		return rights.Session{}, b.notFinished(f, err)
	}
	var roles []string
	if b.o.RolesOf != nil {
		roles = b.o.RolesOf(found.Source, found.Groups)
	}
	f.login = found.Login
	a, err := b.admit(ctx, found, roles)
	var refused *rights.Refused
	if errors.As(err, &refused) {
		b.refused(f, nil, refused.Why, false)
	}
	if err != nil {
		return rights.Session{}, err
	}
	if err := b.usable(a); err != nil {
		b.refused(f, a, err.Why, false)
		return rights.Session{}, err
	}
	return b.start(ctx, f, proof{account: a, by: record.ActorOpenID})
}

func (b *Book) notFinished(f from, err error) error {
	var down *outside.Unavailable
	var refused *outside.Refused
	switch {
	case errors.As(err, &down):
		return &rights.Refused{Why: "the provider does not answer, so nobody can sign in there now: try again later"}
	case errors.As(err, &refused):
		b.refused(f, nil, refused.Why, false)
		return &rights.Refused{Why: "the provider did not let you in: " + refused.Why}
	case errors.Is(err, outside.ErrWrong):
		b.refused(f, nil, "the provider says: "+err.Error(), false)
		return rights.ErrWrong
	}
	b.refused(f, nil, err.Error(), false)
	return &rights.Refused{Why: "what the provider answered cannot be trusted, so nobody was signed in: ask whoever looks after the accounts"}
}
