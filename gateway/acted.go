package gateway

import (
	"bytes"
	"context"

	"weighpost/gateway/index"
)

// ActsOf gives the ids of the entries that carry the key half of a request's mark.
func (g *Gateway) ActsOf(ctx context.Context, key string) (ids []string, mark string, err error) {
	const member = `"request_mark":"`
	f := index.Filter{Text: key}
	for p := (index.Page{Limit: 100}); ; {
		page, err := g.lister().List(ctx, f, p)
		if err != nil {
			return nil, "", err
		}
		if page.Missing > 0 {
			return nil, "", page.Why
		}
		for _, e := range page.Entries { // the word may be another's text too: a member's name cannot
			if _, rest, found := bytes.Cut(e.JSON, []byte(member+key)); found {
				if half, _, whole := bytes.Cut(rest, []byte(`"`)); whole && mark == "" {
					mark = key + string(half)
				}
				ids = append(ids, e.ID)
			}
		}
		if page.Next == "" || len(ids) > 0 {
			return ids, mark, nil
		}
		p.Cursor = page.Next
	}
}

// Settled returns once everything that was given to the journal before is durable or refused: its writer takes what comes in
// the order in which it came, and this goes the same way.
func (g *Gateway) Settled(ctx context.Context) error {
	_, _, err := g.journal.Checkpoint(ctx)
	return err
}
