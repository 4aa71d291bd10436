package http

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"weighpost/sinks"
)

// judge says what an answer means for the entries that were sent.
func judge(a *http.Response, said []byte) error {
	status := a.StatusCode
	if status >= 200 && status < 300 {
		return nil
	}
	err := errors.New(says(a, said))
	switch {
	case status >= 300 && status < 400:
		return sinks.Unusable{Err: fmt.Errorf("the server answered %d and points to %s: weighings are not sent on to where nobody configured; "+
			"put the right address into the configuration", status, strconv.QuoteToASCII(clip(withoutQuery(a.Header.Get("Location")))))}
	case about[status] != "":
		return sinks.Unusable{Err: fmt.Errorf("%w: %s", err, about[status])}
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests, status >= 500:
		return later(a.Header, err)
	case status >= 400:
		// The draft on Idempotency-Key has a server answer 409 while it still works on the same key.
		if after, ok := retryAfter(a.Header, time.Now()); ok && status == http.StatusConflict {
			return sinks.Busy{Err: err, After: after}
		}
		return sinks.Refused{Err: err}
	}
	return errors.New(err.Error() + ", which is no final answer")
}

// withoutQuery leaves out what follows a ?: servers that point elsewhere repeat it, and ours may hold a token. A name and a password in
// front of the host go as well.
func withoutQuery(address string) string {
	address, _, query := strings.Cut(address, "?")
	if u, err := url.Parse(address); err != nil || u.User != nil {
		return "(an address that is not shown)"
	}
	if query {
		return address + "?(not shown)"
	}
	return address
}

// says is what a server answered, in words.
func says(a *http.Response, said []byte) string {
	return fmt.Sprintf("the server answered %d %s%s", a.StatusCode, http.StatusText(a.StatusCode), quote(said))
}

// later is an error after which it is tried again: not before the time that the answer names, where it names one.
func later(h http.Header, err error) error {
	if after, ok := retryAfter(h, time.Now()); ok {
		return sinks.Busy{Err: err, After: after}
	}
	return err
}

// about are the statuses that speak of the sink and not of the entry, each with what to do about it.
var about = map[int]string{
	http.StatusUnauthorized:            "check what proves who sends in the settings of this sink (bearer, user and password, oauth, sign)",                    // 401
	http.StatusForbidden:               "the server knows this sink and does not let it write there: ask its keeper",                                           // 403
	http.StatusNotFound:                "check url of this sink",                                                                                               // 404
	http.StatusMethodNotAllowed:        "check url and method of this sink",                                                                                    // 405
	http.StatusProxyAuthRequired:       "a proxy on the way wants a name and a password: check proxy_user and proxy_password, or go without it by proxy: none", // 407
	http.StatusGone:                    "the address was given up: put the new one into url of this sink",                                                      // 410
	http.StatusNotImplemented:          "check method of this sink",                                                                                            // 501
	http.StatusHTTPVersionNotSupported: "the server does not take this version of HTTP: ask its keeper",                                                        // 505
}

// maxWait caps what a server may ask for.
const maxWait = 24 * time.Hour

// retryAfter reads the header of RFC 9110 section 10.2.3: a number of seconds, or a date in one of the three forms of section
// 5.6.7, which counts from the server's own Date where there is one, so that two clocks need not agree. A date in the past is
// now; more than a day is a day. ok is false where the header is absent or wrong.
func retryAfter(h http.Header, now time.Time) (after time.Duration, ok bool) {
	text := h.Get("Retry-After")
	if text == "" {
		return 0, false
	}
	if strings.Trim(text, "0123456789") == "" {
		seconds, err := strconv.ParseInt(text, 10, 64)
		if err != nil || seconds > int64(maxWait/time.Second) {
			return maxWait, true // all digits: it can only be too long
		}
		return time.Duration(seconds) * time.Second, true
	}
	until, err := http.ParseTime(text)
	if err != nil {
		return 0, false
	}
	if date, err := http.ParseTime(h.Get("Date")); err == nil {
		now = date
	}
	return min(max(until.Sub(now), 0), maxWait), true
}

// quote shows the beginning of what a server said, on one line and without anything that a terminal would act upon.
func quote(said []byte) string {
	if text := strings.TrimSpace(string(said)); text != "" {
		return ": " + strconv.QuoteToASCII(clip(text))
	}
	return ""
}

func clip(text string) string {
	if len(text) > shown {
		return text[:shown]
	}
	return text
}
