package console

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/rights"
)

// notSignedIn says why somebody is not let in. Whoever tries learns one same sentence for everything that is wrong with what
// they gave.
func notSignedIn(err error) error {
	return notProved(err, "You are not signed in", sentence(rights.ErrWrong.Error()))
}

// notProved says why nothing came of what somebody gave to show who they are, in words for what they gave.
func notProved(err error, title, detail string) error {
	if errors.Is(err, rights.ErrWrong) {
		return huma.ErrorWithHeaders(&problemDocument{"about:blank", title, http.StatusUnauthorized, detail},
			http.Header{"Www-Authenticate": {`Bearer realm="weighpost"`}})
	}
	return notDone(err)
}

// notDone turns what whoever keeps accounts says into an answer.
func notDone(err error) error {
	var (
		throttled *rights.Throttled
		refused   *rights.Refused
		conflict  *rights.Conflict
		denied    *rights.Denied
	)
	problem := func(title string, status int) error {
		return &problemDocument{"about:blank", title, status, sentence(err.Error())}
	}
	switch {
	case errors.As(err, &throttled):
		return huma.ErrorWithHeaders(problem("This was not tried", http.StatusTooManyRequests),
			http.Header{"Retry-After": {strconv.FormatInt(int64(max(1, (throttled.After+time.Second-1)/time.Second)), 10)}})
	case errors.As(err, &denied):
		return problem(notAllowed, http.StatusForbidden)
	case errors.As(err, &conflict):
		return problem("It changed meanwhile", http.StatusPreconditionFailed)
	case errors.As(err, &refused):
		return problem("It was refused", http.StatusConflict)
	case errors.Is(err, rights.ErrNoPerson):
		return problem("There is no such account", http.StatusNotFound)
	case errors.Is(err, rights.ErrNoSession):
		return huma.ErrorWithHeaders(problem("You are not signed in", http.StatusUnauthorized), http.Header{"Www-Authenticate": {`Bearer realm="weighpost"`}})
	case errors.Is(err, rights.ErrWrong):
		return problem("The secret is not the right one", http.StatusConflict)
	}
	return notNow(sentence(err.Error()))
}
