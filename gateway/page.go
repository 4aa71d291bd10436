package gateway

import (
	"context"
	"fmt"
	"net"
	"reflect"
	"time"

	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/screens"
)

// page is the page where it listens now.
type page struct {
	listener    net.Listener
	certificate *certificate.Keeper // nil: it has no TLS
	task        *task
}

// lent is a listener as a server gets it: closing it frees the server and leaves the address to the next one.
type lent struct{ net.Listener }

// deadliner is what every TCP listener has.
type deadliner interface{ SetDeadline(time.Time) error }

func (l lent) Close() error {
	if d, ok := l.Listener.(deadliner); ok {
		return d.SetDeadline(time.Unix(1, 0))
	}
	return l.Listener.Close()
}

// lend gives a listener to a server, also after another one has ended.
func lend(l net.Listener) (lent, error) {
	if d, ok := l.(deadliner); ok {
		return lent{l}, d.SetDeadline(time.Time{})
	}
	return lent{l}, nil
}

func (g *Gateway) openPage(ctx context.Context) error {
	now := *g.now.Load()
	shows := g.certificate(now.cfg)
	g.takeCertificate(shows)
	l, err := console.Listen(ctx, now.cfg.Page)
	if err != nil {
		return err
	}
	g.life.onStop("the page's address", func(context.Context) error { return g.now.Load().page.listener.Close() })
	g.life.onStop("the page", g.serving.stop)
	now.page = g.servePage(ctx, now.cfg, l, shows)
	g.now.Store(&now)
	return nil
}

// servePage answers on l until the page's task is ended.
func (g *Gateway) servePage(ctx context.Context, cfg *config.Config, l net.Listener, shows *certificate.Keeper) *page {
	deps := console.Deps{
		Site: cfg.Site, Version: Version(), Source: g, Configuration: g.configuration, Conditions: g.board, Contexts: g, Scans: g, Samples: g.samples, Reader: g, Ports: g, Commander: g, Corrector: g, Keys: g, Sealer: g, Refusals: g.refusals, Exports: g, Entries: g, Follow: g, Backups: g, Settings: g, SettingsSections: config.Sections(), Token: g.token(cfg), Live: &g.live, Log: g.log,
		Page: cfg.Page, Access: g.access(),
	}
	deps.Once, deps.Acts = g.answers, g
	deps.Benches = g
	deps.SettingsSchema, deps.LayoutSchema, deps.ProcedureSchema = config.Schema(), config.LayoutSchema(), config.ProcedureSchema()
	deps.Setup = g.visits
	deps.Deliveries, deps.Bundles, deps.Statistics = g, g, g
	deps.Fitness, deps.Kept = g, g
	deps.Procedures, deps.Runs, deps.Requests, deps.Reviews = g, g, g, g
	deps.Containers, deps.Slips, deps.Environment = g, g, g
	deps.Reports = g
	if shows != nil {
		deps.Certificate = shows
	}
	deps.Evidence = g
	pages := screens.New(deps)
	deps.Screens, deps.TurnedAway, deps.CameBack = pages.Routes(), pages.TurnedAway, pages.CameBack
	server := console.New(deps)
	g.board.Clear(health.PageStopped, "page")
	return &page{l, shows, g.serving.start(ctx, nil, func(ctx context.Context) {
		defer watchCertificate(ctx, shows)()
		loan, err := lend(l)
		if err == nil {
			err = server.Serve(ctx, loan)
		}
		if err != nil {
			g.log.Error("the page stopped", "err", err)
			g.board.Raise(health.Condition{
				Code: health.PageStopped, Subject: "page", Severity: health.Error,
				Sentence: fmt.Sprintf("The page is gone: %v.", err), Remedy: "Restart weighpost. Recording and delivery go on.",
			})
		}
	})}
}

// token reads what programs must show to change something. Without a token that is safe nothing can be changed over HTTP, and
// that is a condition: recording does not wait for it.
func (g *Gateway) token(cfg *config.Config) console.Token {
	path := cfg.TokenFile()
	token, err := console.OpenToken(path)
	if err == nil {
		g.board.Clear(health.TokenRefused, "page")
		return token
	}
	g.log.Error("no token: nothing can be changed over HTTP", "err", err)
	g.board.Raise(health.Condition{
		Code: health.TokenRefused, Subject: "page", Severity: health.Warning,
		Sentence: fmt.Sprintf("No program can set a context over HTTP: %v.", err),
		Remedy: fmt.Sprintf("If others may have read the token, delete %s; else run `chmod 600 %s`. Then restart weighpost, which makes a new one where there is none.",
			path, path),
	})
	return console.Token{}
}

// changePage moves the page to where the change listens, or, where it does not, serves it anew where it is.
func (g *Gateway) changePage(ctx, limit context.Context, cfg *config.Config, old *page, c *change) *page {
	var moved *page
	if c.listen != nil {
		moved = g.servePage(ctx, cfg, c.listen, c.shows)
	}
	old.task.end()
	if err := old.task.wait(limit); err != nil {
		g.log.Error("the page as it was", "err", err)
	}
	if c.shows == nil {
		certificate.Forget(g.board)
	}
	if moved == nil {
		return g.servePage(ctx, cfg, old.listener, c.shows)
	}
	if err := old.listener.Close(); err != nil {
		g.log.Warn("the page's old address", "err", err)
	}
	return moved
}

// movePageLater changes the page once whoever asked for it through the page has had the answer, unless another change of it or
// the end comes first.
func (g *Gateway) movePageLater(ctx context.Context, cfg *config.Config, c *change) {
	g.serving.start(ctx, nil, func(ctx context.Context) {
		if g.takeTurn(ctx) != nil {
			c.discard()
			return
		}
		defer g.giveTurn()
		now := *g.now.Load()
		if !reflect.DeepEqual(now.cfg.Page, cfg.Page) {
			c.discard()
			return
		}
		limit, cancel := context.WithTimeout(ctx, reloadLimit)
		defer cancel()
		now.page = g.changePage(ctx, limit, now.cfg, now.page, c)
		g.now.Store(&now)
	})
}

// PageURL is where the page is, once started.
func (g *Gateway) PageURL() string {
	now := g.now.Load()
	return now.cfg.Page.Shown(now.page.listener.Addr())
}
