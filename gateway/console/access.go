package console

import (
	"context"

	"weighpost/gateway/rights"
)

// Access knows who has an account, a session or a key. Its methods are called from any goroutine.
type Access interface {
	// Visitors is what somebody on this computer may do who shows nothing.
	Visitors() rights.Set
	// WhoIs gives whose session a cookie's secret belongs to. from is where the request comes from. The error is
	// rights.ErrNoSession, or says why it does not work now.
	WhoIs(ctx context.Context, secret, from string) (rights.Who, error)
	// WhoseKey gives whose key it is, errors as of WhoIs, or a *rights.Throttled.
	WhoseKey(ctx context.Context, key, from string) (rights.Who, error)
}

// visitors is what somebody on this computer may do who shows nothing, where nobody has an account.
func visitors() rights.Set {
	return rights.Of(rights.See, rights.ReadJournal, rights.Export, rights.ReadSettings, rights.Measurements)
}
