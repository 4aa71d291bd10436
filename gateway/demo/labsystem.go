package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// labSystemAt is the place in the list of the balance that the simulated lab system sends people and samples for.
const labSystemAt = 5

// labSystem says over the HTTP API, with the token, who weighs which sample next, as a program of the lab would; and asks for
// the weighing, where its balance speaks only when asked.
type labSystem struct {
	eyes
	client http.Client
	url    string
	token  string
}

// startLabSystem has it serve its balance, where there are enough of them.
func (l *lab) startLabSystem() error {
	if len(l.balances) <= labSystemAt {
		return nil
	}
	token, err := os.ReadFile(filepath.Join(l.at.journal, "api.token"))
	if err != nil {
		return fmt.Errorf("the demo's lab system has no token: %w", err)
	}
	b, transport := l.balances[labSystemAt], &http.Transport{}
	l.onEnd(transport.CloseIdleConnections)
	b.hand = &labSystem{
		eyes: l.eyesOn(b), client: http.Client{Transport: transport, Timeout: patience},
		url:   strings.TrimSuffix(l.gateway.PageURL(), "/") + "/api/v1/balances/" + b.id,
		token: strings.TrimSpace(string(token)),
	}
	return nil
}

// tie sends what belongs to the next weighing, a person alone before every fourth: what a request does not name has ended.
func (s *labSystem) tie(ctx context.Context, n int) (ties, error) {
	meant := ties{person: tie{"P-21", record.BySent}}
	request := map[string]any{"person": map[string]any{"id": meant.person.ID, "for_s": 3600}}
	if n%4 != 3 {
		meant.sample = tie{fmt.Sprintf("LOT-%04d", 6001+n), record.BySent}
		request["sample"] = map[string]any{"id": meant.sample.ID, "uses": 1}
	}
	body, err := json.Marshal(request)
	if err != nil {
		return meant, err
	}
	return meant, s.put(ctx, body)
}

// put asks until it is answered that the request is in the journal; a balance may refuse one that nobody can order.
func (s *labSystem) put(ctx context.Context, body []byte) (err error) {
	for range 3 {
		if err = s.ask(ctx, http.MethodPut, "/context", body); err == nil || !pause(ctx, time.Second) {
			return nil
		}
	}
	return fmt.Errorf("the simulated lab system could not say what is weighed next: %w", err)
}

// askWeight asks for one weighing, once: a request that is sent again is another weighing.
func (s *labSystem) askWeight(ctx context.Context) error {
	if err := s.ask(ctx, http.MethodPost, "/read", []byte(`{"record": true}`)); err != nil {
		return fmt.Errorf("the simulated lab system was given no weighing: %w", err)
	}
	return nil
}

func (s *labSystem) ask(ctx context.Context, method, path string, body []byte) error {
	r, err := http.NewRequestWithContext(ctx, method, s.url+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+s.token)
	r.Header.Set("Content-Type", "application/json")
	answer, err := s.client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 64<<10))
	if err == nil && answer.StatusCode != http.StatusOK {
		err = errors.New(answer.Status + " " + string(text))
	}
	return err
}
