package demo

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"strings"
)

// somebody is one of the simulated people, or a program of theirs: whatever they do, they ask for over the API, with a session, a key or a
// token of their own, and with no more rights than anybody in their place.
type somebody struct {
	client http.Client
	url    string // of the API; it ends in /
	header http.Header
	id     string
	secret string // of a person
}

// notTaken says why the daemon did not do what somebody asked for.
type notTaken struct {
	status int
	why    string
}

func (n *notTaken) Error() string { return fmt.Sprintf("%d: %s", n.status, n.why) }

// door is the daemon's API, as somebody finds it.
func (l *lab) door(id string) *somebody {
	transport := &http.Transport{}
	l.onEnd(transport.CloseIdleConnections)
	return &somebody{id: id, client: http.Client{Transport: transport, Timeout: patience}, header: http.Header{},
		url: strings.TrimSuffix(l.gateway.PageURL(), "/") + "/api/v1/"}
}

// host is whoever has the token beside the journal.
func (l *lab) host() (*somebody, error) {
	token, err := os.ReadFile(filepath.Join(l.at.journal, "api.token"))
	if err != nil {
		return nil, fmt.Errorf("the demo has no token: %w", err)
	}
	h := l.door("demo")
	h.header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	return h, nil
}

// sits gives a person an account, and signs them in as on a page. The secret is invented at each start, and ends with the demo.
func (l *lab) sits(ctx context.Context, host *somebody, id, name, role string) (*somebody, error) {
	p := l.door(id)
	first, own := rand.Text(), rand.Text()
	err := host.ask(ctx, http.MethodPost, "people", map[string]any{"id": id, "name": name, "roles": []string{role}, "secret": first, "reason": invented}, nil)
	if err != nil {
		return nil, err
	}
	if p.client.Jar, err = cookiejar.New(nil); err != nil {
		return nil, err
	}
	p.header.Set("X-Weighpost-Page", "1")
	p.header.Set("Sec-Fetch-Site", "same-origin")
	if err := p.ask(ctx, http.MethodPost, "session", map[string]any{"login": id, "secret": first}, nil); err != nil {
		return nil, err
	}
	p.secret = own
	return p, p.ask(ctx, http.MethodPut, "session/secret", map[string]any{"old": first, "secret": own}, nil)
}

// program makes a key for a program.
func (l *lab) program(ctx context.Context, host *somebody, id, name, role string) (*somebody, error) {
	made := struct{ Key string }{}
	if err := host.ask(ctx, http.MethodPost, "keys", map[string]any{"id": id, "name": name, "roles": []string{role}, "reason": invented}, &made); err != nil {
		return nil, err
	}
	p := l.door(id)
	p.header.Set("Authorization", "Bearer "+made.Key)
	return p, nil
}

// ask sends a request, and reads what is answered into a value, if there is one. The error is a *notTaken where the daemon refused.
func (s *somebody) ask(ctx context.Context, method, path string, body, into any) error {
	var send io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return err
		}
		send = bytes.NewReader(text)
	}
	r, err := http.NewRequestWithContext(ctx, method, s.url+path, send)
	if err != nil {
		return err
	}
	r.Header = s.header.Clone()
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := s.client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 4<<20))
	switch {
	case err != nil:
		return err
	case answer.StatusCode >= http.StatusBadRequest:
		problem := struct{ Title, Detail string }{}
		if json.Unmarshal(text, &problem) != nil {
			problem.Detail = string(text)
		}
		return fmt.Errorf("%s asked for %s %s: %w", s.id, method, path, &notTaken{answer.StatusCode, strings.TrimSpace(problem.Title + " " + problem.Detail)})
	case into == nil:
		return nil
	}
	return json.Unmarshal(text, into)
}

// refused gives why the daemon did not do something; "": it was something else.
func refused(err error) string {
	var n *notTaken
	if errors.As(err, &n) {
		return n.why
	}
	return ""
}
