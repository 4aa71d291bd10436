package http

import (
	"net/http"
	"slices"
	"strings"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Preview gives the request that would carry an entry by itself. What proves who sends is only named: of the signature, the token
// and the password nothing is shown, nor of what follows a ? in the URL.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	s, err := New(*c, id, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	batch := []record.Entry{e}
	p, err := s.body(batch)
	if err != nil {
		return sinks.Shown{}, err
	}
	h := http.Header{}
	if err := head(h, batch, p); err != nil {
		return sinks.Shown{}, err
	}
	switch {
	case !c.Bearer.IsZero(), c.OAuth.asked():
		h.Set("Authorization", "Bearer (not shown)")
	case c.User != "":
		h.Set("Authorization", "Basic (not shown)")
	}
	if !c.Sign.IsZero() {
		h.Set(headerID, messageID(batch))
		h.Set(headerTime, "(the seconds since 1970 at which it is sent)")
		h.Set(headerSignature, "v1,(made of that and a secret)")
	}
	where, _, query := strings.Cut(c.target(e), "?")
	if query {
		where += "?(not shown)"
	}
	shown := sinks.Shown{To: c.Method + " " + where, Type: p.Type, Body: p.Body}
	for name, values := range h {
		if name != "Content-Type" {
			shown.Attributes = append(shown.Attributes, sinks.Attribute{Name: name, Value: strings.Join(values, ", ")})
		}
	}
	slices.SortFunc(shown.Attributes, func(a, b sinks.Attribute) int { return strings.Compare(a.Name, b.Name) })
	return shown, nil
}
