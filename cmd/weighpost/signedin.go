package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/cookiejar"

	"weighpost/gateway/config"
	"weighpost/gateway/journal"
)

// asking asks the daemon for one thing.
type asking func(ctx context.Context, d deed) error

// actAs asks the daemon as a person who signs in for this one act and out after it.
func (h hostFlags) actAs(ctx context.Context, s streams, login string, d deed) error {
	return h.asPerson(ctx, s, login, errNoDaemon, func(ask asking) error { return ask(ctx, d) })
}

// asPerson does something as a person, who signs in for it and out after it. none is the error where no daemon has the journal.
func (h hostFlags) asPerson(ctx context.Context, s streams, login string, none error, does func(ask asking) error) error {
	cfg, err := config.LoadFile(h.Config)
	if err != nil {
		return fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", h.Config, err)
	}
	if !journal.InUse(cfg.Journal.Folder) {
		return none
	}
	secret, err := askSecret(ctx, s, "Secret of "+plain(login))
	if err != nil {
		return err
	}
	client, err := pageClient(cfg)
	if err != nil {
		return err
	}
	defer client.CloseIdleConnections()
	if client.Jar, err = cookiejar.New(nil); err != nil {
		return err
	}
	const session = "/api/v1/session"
	if err := (deed{Method: http.MethodPost, Path: session, Body: map[string]string{"login": login, "secret": secret}}).through(ctx, cfg, client); err != nil {
		return err
	}
	defer func() {
		_ = deed{Method: http.MethodDelete, Path: session}.through(context.WithoutCancel(ctx), cfg, client)
	}() // it ends of itself otherwise
	return does(func(ctx context.Context, d deed) error { return d.through(ctx, cfg, client) })
}

// through asks the daemon with a client that has a session, or is about to.
func (d deed) through(ctx context.Context, cfg *config.Config, client *http.Client) error {
	var body bytes.Buffer
	if d.Body != nil {
		if err := json.NewEncoder(&body).Encode(d.Body); err != nil {
			return err
		}
	}
	req, err := http.NewRequestWithContext(ctx, d.Method, cfg.Page.URL()+d.Path, &body)
	if err != nil {
		return err
	}
	if d.Body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	req.Header.Set("X-Weighpost-Page", "1") // whatever changes something by a cookie says that no other site sent it
	req.Header.Set("Origin", cfg.Page.URL())
	answer, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("the daemon does not answer at %s: %w", cfg.Page.URL(), err)
	}
	defer answer.Body.Close()
	return d.take(answer)
}
