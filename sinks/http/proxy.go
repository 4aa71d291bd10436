package http

import (
	"context"
	"fmt"
	"net/http"
	"net/url"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// What proxy can be beside an address.
const (
	fromEnvironment = "environment"
	noProxy         = "none"
)

func (c *Config) checkProxy(r *strict.Report) {
	const allowed = "environment, none, or http://proxy.example:3128, https:// or socks5://"
	u, err := url.Parse(c.Proxy)
	given := c.Proxy != fromEnvironment && c.Proxy != noProxy
	switch at := r.At("proxy"); {
	case !given:
	case err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https" && u.Scheme != "socks5":
		at.Fault("is no proxy", allowed)
		return
	case u.User != nil:
		at.Fault("holds a user name or a password: use proxy_user and proxy_password", allowed)
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		at.Fault("has more than host and port", allowed)
	case c.ProxyUser != "" && u.Scheme != "https" && !c.Insecure && !loopback(u.Hostname()):
		at.Fault(fmt.Sprintf("the password would go to %s without encryption", u.Host), "https://, or insecure: true if you accept that")
	}
	if (c.ProxyUser == "") != c.ProxyPassword.IsZero() {
		r.At("proxy_user").Fault("proxy_user and proxy_password go together", "both, or neither")
	} else if c.ProxyUser != "" && !given {
		r.At("proxy_user").Fault("is given without an address of a proxy", "proxy: with an address")
	}
}

// proxy gives what a transport asks for the proxy of a request.
func (s *Sink) proxy() (func(*http.Request) (*url.URL, error), error) {
	switch s.cfg.Proxy {
	case fromEnvironment:
		return http.ProxyFromEnvironment, nil
	case noProxy:
		return nil, nil
	}
	u, err := url.Parse(s.cfg.Proxy)
	if err != nil {
		return nil, fmt.Errorf("the proxy's address cannot be used")
	}
	if s.cfg.ProxyUser != "" {
		password, err := s.cfg.ProxyPassword.Resolve()
		if err != nil {
			return nil, err
		}
		u.User = url.UserPassword(s.cfg.ProxyUser, string(password))
	}
	return http.ProxyURL(u), nil
}

// tunnelled judges the answer of a proxy that was asked for a tunnel (RFC 9110 section 9.3.6).
func tunnelled(_ context.Context, _ *url.URL, _ *http.Request, answer *http.Response) error {
	status := answer.StatusCode
	switch {
	case status >= 200 && status < 300:
		return nil
	case status == http.StatusProxyAuthRequired:
		return sinks.Unusable{Err: fmt.Errorf("the proxy answered %d: %s", status, about[status])}
	case status == http.StatusForbidden, status == http.StatusMethodNotAllowed:
		return sinks.Unusable{Err: fmt.Errorf("the proxy answered %d and lets nothing through to the server: ask its keeper", status)}
	}
	return fmt.Errorf("the proxy answered %d %s", status, http.StatusText(status))
}
