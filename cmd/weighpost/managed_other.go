//go:build !windows

package main

import "context"

// managed runs the daemon. Other service managers than that of Windows need no more of it than that it ends when told to.
func managed(ctx context.Context, s streams, daemon func(context.Context, streams) error) error {
	return daemon(ctx, s)
}
