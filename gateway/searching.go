package gateway

import (
	"context"
	"fmt"
	"path/filepath"

	"weighpost/gateway/health"
	"weighpost/gateway/index"
	"weighpost/gateway/once"
)

// Lags of the search index, in entries, between which its condition neither comes nor goes. It takes in 512 at a time.
const (
	indexLags = 8192
	indexKeep = 1024
)

// openIndex makes the search index known to those who list entries. It is fed by a keeper.
func (g *Gateway) openIndex() {
	g.index = index.OpenDB(g.now.Load().cfg.Journal.Folder)
	g.life.onStop("the search index", func(context.Context) error { return g.index.Close() })
}

// openAnswers makes known what was answered to requests with a key. Without the file such requests are refused; nothing else
// waits for it.
func (g *Gateway) openAnswers() {
	m, err := once.Open(g.now.Load().cfg.Journal.Folder, g.log)
	if err != nil {
		g.log.Error("requests with a key of their own are refused, since their answers cannot be remembered", "err", err)
		return
	}
	g.answers = m
	g.life.onStop("the answers", func(context.Context) error { return m.Close() })
}

// keepIndex feeds the search index.
func (g *Gateway) keepIndex(ctx context.Context) {
	f := index.Feeder{DB: g.index, Journal: g.journal, Log: g.log, OnState: g.indexState, Room: g.journal.Room}
	f.Run(ctx)
}

// indexState turns what the index says of itself into a condition.
func (g *Gateway) indexState(s index.State) {
	c := health.Condition{Code: health.IndexBehind, Subject: "journal"}
	lag := s.Head - min(s.Head, s.Indexed)
	switch {
	case s.Err != nil:
		c.Severity = health.Warning
		c.Sentence = fmt.Sprintf("The search index of the journal cannot be kept up; it has come to entry %d of %d: %v.", s.Indexed, s.Head, s.Err)
		c.Remedy = fmt.Sprintf("See what keeps %s from being written. Lists are complete all the same, and take longer.",
			filepath.Join(g.now.Load().cfg.Journal.Folder, index.FileName))
	case lag >= indexLags:
		c.Severity = health.Notice
		c.Sentence = fmt.Sprintf("The search index has come to entry %d of %d.", s.Indexed, s.Head)
		c.Remedy = "Nothing need be done: it goes on by itself. Until then lists take longer, and are complete all the same."
	case lag <= indexKeep:
		g.board.Clear(c.Code, c.Subject)
		return
	default:
		return
	}
	g.board.Raise(c)
}
