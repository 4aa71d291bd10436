package gateway

import (
	"context"
	"slices"

	"weighpost/gateway/access"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/openid"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
)

// openPeople opens the book of people. Recording does not wait for it: where it cannot be opened nobody can sign in, and that is a
// condition.
func (g *Gateway) openPeople(ctx context.Context) error {
	directory := ldap.New(ldap.Options{Config: func() ldap.Config { return g.now.Load().cfg.People.Directory }, Board: g.board, Log: g.log})
	provider := openid.New(openid.Options{Config: func() openid.Config { return g.now.Load().cfg.People.OpenID }, Board: g.board, Log: g.log})
	cfg := g.now.Load().cfg
	book, err := access.Open(ctx, access.Options{
		Dir: cfg.Journal.Folder, Site: cfg.Site, Journal: g.journal, Config: func() *access.Config { return &g.now.Load().cfg.People },
		Stamp: g.stamp, Board: g.board, Hasher: g.options.Hasher, Log: g.log, Moved: g.journal.Begun() != nil,
		HasBalance: func(id string) bool {
			return slices.ContainsFunc(g.now.Load().cfg.Balances, func(c intake.Config) bool { return c.ID == id })
		},
		Directory: func() outside.Directory {
			if g.now.Load().cfg.People.Directory.Configured() {
				return directory
			}
			return nil
		},
		Provider: func() outside.Provider {
			if g.now.Load().cfg.People.OpenID.Configured() {
				return provider
			}
			return nil
		},
		Now: g.options.Sessions, Ended: g.sessionEnded, Disabled: g.personDisabled,
		RolesOf: func(_ string, groups []string) []string { return g.now.Load().cfg.People.OpenID.RolesOf(groups) },
	})
	if err != nil {
		g.log.Error("nobody can sign in", "err", err)
		g.board.Raise(access.Unavailable(err))
		return nil
	}
	g.people = book
	g.life.onStop("the book of people", g.hasty("the book of people", book.Close))
	var keeping group
	keeping.start(ctx, nil, directory.Run)
	keeping.start(ctx, nil, provider.Run)
	keeping.start(ctx, nil, book.Run)
	keeping.start(ctx, nil, g.leaving.run(book))
	g.life.onStop("sign-ins and sessions", keeping.stop)
	return nil
}

// access is who may do what, as the page asks for it.
func (g *Gateway) access() console.Access {
	if g.people == nil {
		return shut{}
	}
	return atBalances{g.people, g}
}

// People is the book of people, once started; nil where it could not be opened.
func (g *Gateway) People() *access.Book { return g.people }

// PeopleAside opens the book of people of a journal that no daemon has, for one command. Close it before the journal.
func PeopleAside(ctx context.Context, cfg *config.Config, j access.Log, stamp func() record.Stamp) (*access.Book, error) {
	return access.Open(ctx, access.Options{
		Dir: cfg.Journal.Folder, Site: cfg.Site, Journal: j, Config: func() *access.Config { return &cfg.People }, Stamp: stamp, Aside: true,
	})
}

var (
	_ console.Access = (*access.Book)(nil)
	_ console.Access = atBalances{}
	_ intake.People  = badges{}
)
