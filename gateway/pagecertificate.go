package gateway

import (
	"context"
	"fmt"
	"reflect"

	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
)

// certificate looks after the page's certificate under a configuration; nil: the page has none.
func (g *Gateway) certificate(cfg *config.Config) *certificate.Keeper {
	if !cfg.Page.TLS.On() {
		return nil
	}
	return certificate.New(certificate.Options{Config: cfg.Page.TLS, Names: cfg.Page.Hosts(), Folder: cfg.Journal.Folder, Board: g.board, Log: g.log})
}

// takeCertificate takes what the files hold now. Where that is of no use the page waits, and recording does not.
func (g *Gateway) takeCertificate(k *certificate.Keeper) {
	if k == nil {
		return
	}
	if err := k.Take(); err != nil {
		g.log.Error("the certificate of the page cannot be used", "err", err)
	}
}

// prepareCertificate gives what looks after the certificate under another configuration: what does so now, where nothing of it
// changed. A certificate that cannot be used is refused, as long as there is a page that works.
func (g *Gateway) prepareCertificate(cfg *config.Config, now *running) (*certificate.Keeper, error) {
	was, is := now.cfg.Page, cfg.Page
	if was.TLS == is.TLS && reflect.DeepEqual(was.Names, is.Names) {
		return now.page.certificate, nil
	}
	k := g.certificate(cfg)
	if k == nil {
		return nil, nil
	}
	if err := k.Take(); err != nil {
		return nil, fmt.Errorf("the certificate of the page cannot be used: %w", err)
	}
	return k, nil
}

// watchCertificate looks after a certificate until ctx ends or the function that it gives is called, which waits for the end.
func watchCertificate(ctx context.Context, k *certificate.Keeper) func() {
	if k == nil {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		k.Run(ctx)
	}()
	return func() { cancel(); <-done }
}

// PageCertificate tells of the certificate that the page shows, if it has TLS; made says whether weighpost made it itself.
func (g *Gateway) PageCertificate() (f certificate.Facts, made, ok bool) {
	k := g.now.Load().page.certificate
	if k == nil {
		return f, false, false
	}
	f, ok = k.Facts()
	return f, k.SelfMade(), ok
}
