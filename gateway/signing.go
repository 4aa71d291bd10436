package gateway

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"net/url"
	"slices"

	"weighpost/gateway/ceremony"
	"weighpost/gateway/clock"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
	"weighpost/gateway/signature"
)

// signs is how whoever asks signs, with what they gave; nil: they gave nothing. The room of reviews calls it where an act is signed.
func (g *Gateway) signs(ctx context.Context, s *console.Signing, shows ceremony.Shows) func(context.Context, review.Proposal) (review.Sign, error) {
	if s == nil {
		return nil
	}
	return g.ceremony().Signs(rights.From(ctx), rights.Signing{Login: s.ID, Secret: s.Secret, Address: s.Address}, s.Statement, shows)
}

func (g *Gateway) ceremony() ceremony.Ceremony {
	return ceremony.Ceremony{Journal: g.journal, Stamp: g.stamp, Place: clock.Place}
}

func (g *Gateway) showsWho(ctx context.Context, who rights.Who, in rights.Signing) (rights.Signed, error) {
	if g.people == nil {
		return rights.Signed{}, errShut
	}
	return g.people.Sign(ctx, who, in)
}

// showsOnce is showsWho for several signatures that somebody gives at once, with one secret: it is held against the account once, whatever
// comes of it, so that one mistake is not counted as many.
func (g *Gateway) showsOnce() ceremony.Shows {
	var signed rights.Signed
	var err error
	asked := false
	return func(ctx context.Context, who rights.Who, in rights.Signing) (rights.Signed, error) {
		if !asked {
			asked = true
			signed, err = g.showsWho(ctx, who, in)
		}
		return signed, err
	}
}

// RunStatement is what whoever asks would sign now, and what they have to show for it.
func (g *Gateway) RunStatement(ctx context.Context, run, meaning string) (s console.Statement, err error) {
	one, err := g.review.Of(ctx, run)
	if err != nil {
		return s, err
	}
	who := rights.From(ctx)
	text, facts, err := ceremony.Statement(one.Entries, meaning, who.Actor)
	if err != nil {
		return s, err
	}
	s = console.Statement{Meaning: meaning, Text: text, SHA256: signature.Hash(text), Last: facts.Covers.Last, Asks: rights.AsksToSign{Both: true, Not: errShut.Why}}
	if g.people != nil {
		s.Asks = g.people.AsksToSign(who)
	}
	if s.Asks.Provider != "" {
		s.Ticket = g.ticket(who.Session, s.SHA256)
	}
	return s, nil
}

// ticket shows that a session was shown a statement. It holds until the end of the daemon, as sessions do at most.
func (g *Gateway) ticket(session, statement string) string {
	h := hmac.New(sha256.New, g.secretKey[:])
	h.Write([]byte("shown to be signed\x00" + session + "\x00" + statement))
	return hex.EncodeToString(h.Sum(nil))
}

// ShownTo says whether a ticket came with a statement that was shown to whoever asks, in this session.
func (g *Gateway) ShownTo(ctx context.Context, statement, ticket string) bool {
	session := rights.From(ctx).Session
	return session != "" && hmac.Equal([]byte(g.ticket(session, statement)), []byte(ticket))
}

// elsewhere is an act that is done once whoever wants it has shown at a provider who they are.
type elsewhere struct {
	run string
	act console.ReviewAct
}

// BeginSigning says where to send the browser of somebody who shows at a provider who they are, to sign, and the state that it brings back.
func (g *Gateway) BeginSigning(ctx context.Context, run string, a console.ReviewAct, redirect string) (to, state string, err error) {
	if g.people == nil {
		return "", "", errShut
	}
	one, err := g.review.Of(ctx, run)
	if err != nil {
		return "", "", err
	}
	who := rights.From(ctx)
	if why := g.cannotSign(one, a, who); why != "" {
		g.refusals.Note(a.Act+" of the run "+run, who.Actor.Where, why, who.Actor)
		return "", "", &record.NotDone{Why: why}
	}
	return g.people.BeginSigning(ctx, who, redirect, rights.Signing{Run: one.Run, Address: a.Signing.Address}, elsewhere{run, a})
}

// cannotSign says why somebody need not go to the provider: they could not sign then. All of it is looked at again when they come back.
func (g *Gateway) cannotSign(one review.Reviewed, a console.ReviewAct, who rights.Who) string {
	list := one.Allowed(who.Actor, reviewsAble(who), g.now.Load().cfg.Review.SignSubmit)
	at := slices.IndexFunc(list, func(may review.Allowed) bool { return may.Act == a.Act && may.Meaning != "" })
	if at < 0 {
		return "the run " + one.Run.ID + " is " + one.State + ": there is nothing about it that you could sign now by this act"
	}
	if text, _, err := ceremony.Statement(one.Entries, list[at].Meaning, who.Actor); err != nil || signature.Hash(text) != a.Signing.Statement {
		return "what you were shown to sign is not what there is to sign now: the run, or your own name or role, changed meanwhile. Look at it again"
	}
	return ""
}

// SigningBy says whether something is to be signed when a browser comes back from the provider with this state.
func (g *Gateway) SigningBy(state string) bool { return g.people != nil && g.people.SignsBy(state) }

// FinishSigning does what was to be signed, for whoever comes back from the provider, and gives the run, also with an error where it is known.
// It is done as the person of the session that began it.
func (g *Gateway) FinishSigning(ctx context.Context, query url.Values) (run string, err error) {
	if g.people == nil {
		return "", errShut
	}
	signed, what, err := g.people.FinishSigning(ctx, query)
	e, _ := what.(elsewhere)
	if err != nil {
		return e.run, err
	}
	shown := func(context.Context, rights.Who, rights.Signing) (rights.Signed, error) { return signed, nil }
	who := signed.Who
	act := actOf(e.act)
	act.Shows = g.ceremony().Signs(who, rights.Signing{}, e.act.Signing.Statement, shown)
	return e.run, lacking(rights.With(ctx, who), g.review.Act(ctx, e.run, act, who.Actor, reviewsAble(who)))
}
