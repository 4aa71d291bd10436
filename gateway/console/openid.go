package console

import (
	"cmp"
	"context"
	"encoding/base64"
	"html"
	"net/http"
	"net/url"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/rights"
)

const (
	openIDPath = sessionPath + "/openid"
	backPath   = "/sign-in/openid" // where a provider sends the browser back to
)

type openIDAnswer struct {
	Status    int
	Location  string        `header:"Location"`
	SetCookie []http.Cookie `header:"Set-Cookie"`
}

func (s *Server) openIDRoute(api huma.API) {
	if s.deps.Access == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "sign-in-at-provider", Method: http.MethodGet, Path: openIDPath, Tags: []string{"signing in"},
		Summary: "Sign in at the provider (OpenID Connect)", DefaultStatus: http.StatusSeeOther,
		Description: "Sends the browser there. It comes back to " + backPath + ", within ten minutes and with the cookie that it was given here.",
		Errors:      []int{http.StatusConflict, http.StatusServiceUnavailable}, Middlewares: huma.Middlewares{unhurried}}, Everybody), s.beginOpenID)
}

type openIDRequest struct {
	Asked
	To string `query:"to" maxLength:"1024" doc:"The page of weighpost to go on to; any other address counts as none." example:"/weighed"`
}

func (s *Server) beginOpenID(ctx context.Context, in *openIDRequest) (*openIDAnswer, error) {
	if s.deps.Access.Ways().OpenID == "" {
		return nil, &problemDocument{"about:blank", "There is no provider to sign in at", http.StatusConflict, "Sign in at the page with a name and a secret."}
	}
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	scheme := "http://"
	if in.r.TLS != nil {
		scheme = "https://"
	}
	to, state, err := s.deps.Access.BeginOpenID(ctx, scheme+in.r.Host+backPath, false) // the guard has seen to it that the host is ours
	if err != nil {
		return nil, notDone(err)
	}
	return &openIDAnswer{Status: http.StatusSeeOther, Location: to, SetCookie: []http.Cookie{flowCookie(in.r, flowValue(state, OwnPage(s.deps.Screens, in.To)))}}, nil
}

// comeBack takes a browser that the provider sent back. It answers with a page and not with a redirect: the browser has come from
// another site, and only a step from our own page carries the cookie of the session, which is Strict.
func (s *Server) comeBack(w http.ResponseWriter, r *http.Request) {
	state, to := s.flowOf(cookieOf(r, "-openid"))
	gone := flowCookie(r, "")
	http.SetCookie(w, &gone)
	again := signInPath + "?to=" + url.QueryEscape(to)
	if s.deps.Access == nil || !sameState(r.URL.Query().Get("state"), state) {
		s.cameBack(w, r, http.StatusBadRequest, "You are not signed in", "This sign-in was not begun in this browser, or too long ago. Begin it again.", again)
		return
	}
	if s.deps.Reviews != nil && s.deps.Reviews.SigningBy(state) {
		s.signedElsewhere(w, r, to)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), longestSignIn)
	defer cancel()
	session, err := s.deps.Access.FinishOpenID(ctx, r.URL.Query(), addressOf(r), where(r.RemoteAddr))
	if err != nil {
		s.deps.Log.Info("a sign-in at the provider came to nothing", "err", err)
		s.cameBack(w, r, http.StatusUnauthorized, "You are not signed in", sentence(err.Error()), again)
		return
	}
	if before := rights.From(r.Context()); before.Session != "" {
		if err := s.deps.Access.SignOut(ctx, before); err != nil {
			s.deps.Log.Warn("the session before this one was not ended", "err", err)
		}
	}
	cookie := sessionCookie(r, session.Secret)
	http.SetCookie(w, &cookie)
	s.cameBack(w, r.WithContext(rights.With(r.Context(), session.Who)), http.StatusOK, "You are signed in", "The page opens by itself.", to)
}

// flowOf takes the value of the cookie of a sign-in at a provider apart: the state, and the page of ours to go back to. Where the
// cookie names none it is the first; what is in a cookie may come from anybody on this host, and counts for no more than an address.
func (s *Server) flowOf(value string) (state, to string) {
	i := strings.LastIndexByte(value, flowMark)
	if i < 0 {
		return "", "/"
	}
	if raw, err := base64.RawURLEncoding.DecodeString(value[i+1:]); err == nil {
		to = OwnPage(s.deps.Screens, string(raw))
	}
	return value[:i], cmp.Or(to, "/")
}

// flowValue is the inverse of flowOf. An address that makes the cookie too long is left out.
func flowValue(state, to string) string {
	value := state + string(flowMark)
	if packed := base64.RawURLEncoding.EncodeToString([]byte(to)); len(value)+len(packed) <= longestCookie {
		value += packed
	}
	return value
}

// flowMark stands between the two parts of the cookie: it is in no base64 for addresses (RFC 4648, section 5).
const flowMark = '.'

// cameBack is a page with a link to go on by; where all is well it goes on by itself.
func (s *Server) cameBack(w http.ResponseWriter, r *http.Request, status int, title, words, to string) {
	if s.deps.CameBack != nil {
		s.deps.CameBack(w, r, status, title, words, to)
		return
	}
	onward := ""
	if status == http.StatusOK {
		onward = `<meta http-equiv="refresh" content="0;url=` + html.EscapeString(to) + `">`
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(`<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">` +
		`<meta name="color-scheme" content="light dark"><title>weighpost</title>` + onward + `</head>` +
		`<body><main><h1>` + html.EscapeString(title) + `</h1><p>` + html.EscapeString(words) + `</p><p><a href="` + html.EscapeString(to) + `">Go on</a></p></main></body></html>`))
}
