package gateway

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"

	"weighpost/gateway/bundle"
	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// Bundle finds what is to be bundled, so that what is not there is said before anything is sent.
func (g *Gateway) Bundle(ctx context.Context, asked console.BundleAsked) (console.Download, error) {
	o := bundle.Order{Dir: g.now.Load().cfg.Journal.Folder, Of: bundle.Of(asked), Find: g.findEntries, Version: Version()}
	plan, err := g.planBundle(ctx, o)
	var unclear *bundle.Unclear
	var nothing *bundle.Nothing
	switch {
	case errors.As(err, &unclear):
		return console.Download{}, &console.ExportRefused{Why: unclear.Why}
	case errors.As(err, &nothing):
		return console.Download{}, fmt.Errorf("%w: %s", console.ErrNothing, nothing.Why)
	case err != nil:
		return console.Download{}, err
	}
	name := plan.FileName()
	if err := plan.Close(); err != nil {
		return console.Download{}, err
	}
	return console.Download{Name: name, MediaType: "application/zip", Write: func(ctx context.Context, w io.Writer) (about []byte, sum string, err error) {
		plan, err := g.planBundle(ctx, o)
		if err != nil {
			return nil, "", err
		}
		defer func() { err = errors.Join(err, plan.Close()) }()
		hash := sha256.New()
		if err := plan.Write(ctx, io.MultiWriter(w, hash)); err != nil {
			return nil, "", err
		}
		about, err = plan.About.Encode()
		return about, hex.EncodeToString(hash.Sum(nil)), err
	}}, nil
}

// planBundle signs what is recorded so far, and finds what is to be bundled. What is recorded in between may need one more signature. Where the
// journal cannot be written, as on a full disk, what was signed before can be taken away still.
func (g *Gateway) planBundle(ctx context.Context, o bundle.Order) (*bundle.Plan, error) {
	for tries := 0; ; tries++ {
		_, _, unsaid := g.journal.Checkpoint(ctx)
		plan, err := bundle.Open(ctx, o)
		if unsigned := new(*bundle.Unsigned); errors.As(err, unsigned) {
			if unsaid == nil && tries < 3 {
				continue
			}
			if unsaid != nil {
				err = fmt.Errorf("%w. It cannot be signed now: %w", err, unsaid)
			}
		}
		return plan, err
	}
}

// findEntries gives the entries that a filter asks for, by the search index.
func (g *Gateway) findEntries(ctx context.Context, f index.Filter, each func(record.Entry) error) error {
	var first error
	err := g.eachEntry(ctx, f, func(e record.Entry) {
		if first == nil {
			first = each(e)
		}
	})
	return errors.Join(err, first)
}
