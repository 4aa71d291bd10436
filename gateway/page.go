package gateway

import (
	"context"
	"fmt"
	"net"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
)

// page is the page where it listens now.
type page struct {
	listener net.Listener
	task     *task
}

func (g *Gateway) openPage(ctx context.Context) error {
	now := *g.now.Load()
	l, err := console.Listen(ctx, now.cfg.Page)
	if err != nil {
		return err
	}
	g.life.onStop("the page", g.serving.stop)
	now.page = g.servePage(ctx, now.cfg.Site, l)
	g.now.Store(&now)
	return nil
}

// servePage answers on l until the page's task is ended.
func (g *Gateway) servePage(ctx context.Context, site string, l net.Listener) *page {
	server := console.New(console.Deps{
		Site: site, Version: Version(), Source: g, Conditions: g.board, Live: &g.live, Log: g.log,
	})
	g.board.Clear(health.PageStopped, "page")
	return &page{l, g.serving.start(ctx, nil, func(ctx context.Context) {
		if err := server.Serve(ctx, l); err != nil {
			g.log.Error("the page stopped", "err", err)
			g.board.Raise(health.Condition{
				Code: health.PageStopped, Subject: "page", Severity: health.Error,
				Sentence: fmt.Sprintf("The page is gone: %v.", err), Remedy: "Restart weighpost. Recording and delivery go on.",
			})
		}
	})}
}

// PageURL is where the page is, once started.
func (g *Gateway) PageURL() string {
	return "http://" + g.now.Load().page.listener.Addr().String() + "/"
}
