package console

import (
	"cmp"
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// keyMark begins every program's key.
const keyMark = "wp_"

// shown is what a request shows of who sends it, beside the rights.Who of its context.
type shown struct {
	cookie bool   // it is known by a cookie, which a browser sends of itself
	wrong  string // what it shows and is not good for anything, for whoever reads the journal; "": nothing of the kind
}

type shownKey struct{}

func shownOf(ctx context.Context) shown {
	s, _ := ctx.Value(shownKey{}).(shown)
	return s
}

// identified gives every request to next with who sends it in its context.
func (s *Server) identified(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who, what := s.identify(r)
		next.ServeHTTP(w, r.WithContext(rights.With(context.WithValue(r.Context(), shownKey{}, what), who)))
	})
}

// identify says who sends a request: by its header Authorization alone where there is one, else by its cookie, else it is
// anybody. What is shown and wrong makes nobody of the sender, not a visitor; a cookie of a session that has ended makes a visitor.
func (s *Server) identify(r *http.Request) (rights.Who, shown) {
	from := where(r.RemoteAddr)
	if len(r.Header.Values("Authorization")) > 0 {
		who, wrong := s.byBearer(r, from)
		if wrong != "" {
			return visitor(false, from), shown{wrong: wrong}
		}
		return who, shown{}
	}
	if who, show := s.byCookie(r, from); show.cookie {
		return who, show
	}
	if s.deps.Access == nil {
		return visitor(fromHere(r), from), shown{}
	}
	return s.deps.Access.Visitor(fromHere(r), from), shown{}
}

// byBearer says whose token or key a request shows, or what is wrong with it.
func (s *Server) byBearer(r *http.Request, from string) (rights.Who, string) {
	token, named := bearer(r)
	switch {
	case !named:
		return rights.Who{}, "it shows no token"
	case s.deps.Token.Is(token):
		return rights.Host(record.Actor{ID: namedBy(r), By: record.ActorToken, Where: from}), ""
	case s.deps.Access != nil && strings.HasPrefix(token, keyMark):
		who, err := s.deps.Access.WhoseKey(token, addressOf(r), from)
		if err != nil {
			return rights.Who{}, "it shows a key that is not good for anything"
		}
		return who, ""
	}
	return rights.Who{}, "it shows a token that is not the right one"
}

// namedBy is the name that whoever has the host's token gives in a header, for acts whose body has no place for one; "" where there
// is none that can be a name.
func namedBy(r *http.Request) string {
	name, err := url.QueryUnescape(r.Header.Get("X-Weighpost-By"))
	if err != nil || record.CheckContextID(name) != nil {
		return ""
	}
	return name
}

// fromHere says whether both ends of a request's connection are loopback addresses.
func fromHere(r *http.Request) bool {
	at, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ok && loopback(r.RemoteAddr) && loopback(at.String())
}

func loopback(hostport string) bool {
	a, err := netip.ParseAddrPort(hostport)
	return err == nil && a.Addr().Unmap().IsLoopback()
}

// actorOf is who acts, for an entry: a person or a program under its own name, and whoever has the host's token under the name
// by that it gives. A by that names somebody else is refused.
func actorOf(ctx context.Context, by string) (record.Actor, error) {
	who := rights.From(ctx)
	actor := who.Actor
	switch {
	case actor.By == record.ActorToken:
		actor.ID = cmp.Or(by, actor.ID)
	case by != "" && by != actor.ID && by != actor.Name:
		return actor, &problemDocument{"about:blank", "That is somebody else's name", http.StatusForbidden,
			"You act under your own name, " + actor.ID + ": leave by out."}
	}
	return actor, nil
}

// namedActor is as actorOf, where whoever has the host's token has to give a name.
func namedActor(ctx context.Context, by string) (record.Actor, error) {
	actor, err := actorOf(ctx, by)
	if err == nil && actor.ID == "" {
		return actor, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, "By is missing: say who asks."}
	}
	return actor, err
}
