package main

import (
	"crypto/tls"
	"net/http"

	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
)

// pageTLS is what a command on the daemon's computer needs to talk to its page; nil: the page has no TLS.
func pageTLS(cfg *config.Config) (*tls.Config, error) {
	if !cfg.Page.TLS.On() {
		return nil, nil
	}
	leaf, err := certificate.Shown(cfg.Journal.Folder, cfg.Page.TLS)
	if err != nil {
		return nil, err
	}
	return certificate.Pin(leaf), nil
}

// pageClient asks the daemon of a configuration, through no proxy.
func pageClient(cfg *config.Config) (*http.Client, error) {
	pin, err := pageTLS(cfg)
	if err != nil {
		return nil, err
	}
	return &http.Client{Transport: &http.Transport{TLSClientConfig: pin},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, nil
}
