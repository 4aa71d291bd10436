package archive

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/sync/errgroup"

	"weighpost/gateway/proof"
	"weighpost/sinks/postgres"
)

// Archive is one instance. Others may run beside it, on this computer or elsewhere.
type Archive struct {
	cfg      *Config
	log      *slog.Logger
	trusted  trusted
	cosigner *proof.Cosigner
	pool     *pgxpool.Pool
	kick     chan struct{} // something is due, as far as this instance knows; room for one
	signed   chan struct{} // something may have been co-signed; room for one
	counted  counters
	ackWait  time.Duration
	// hasty acknowledges messages before they are committed. It is here for the test that has to notice.
	hasty bool
}

// counters are what this instance did since it began.
type counters struct {
	entries, again, contradictions, checkpoints, oddities, cosigned, failures atomic.Uint64
	lastTaken, lastLooked                                                     atomic.Int64 // POSIX seconds
}

// New makes an instance. It asks nobody: Run does.
func New(cfg *Config, log *slog.Logger) *Archive {
	return &Archive{cfg: cfg, log: log, trusted: cfg.keys, cosigner: cfg.cosigner, kick: make(chan struct{}, 1), signed: make(chan struct{}, 1),
		ackWait: ackWait}
}

// Run takes messages, judges and co-signs until ctx ends. Servers that do not answer are tried again for as long as it takes; an error
// means that a person has to act.
func (a *Archive) Run(ctx context.Context) error {
	pool, err := open(ctx, a.cfg.Database, 4)
	if err != nil {
		return err
	}
	defer pool.Close()
	a.pool = pool
	if err := a.prepare(ctx); err != nil {
		return ended(ctx, err)
	}
	all, ctx := errgroup.WithContext(ctx)
	all.Go(func() error { return a.takeAll(ctx) })
	all.Go(func() error { return a.judgeAll(ctx) })
	if a.cfg.Listen != "" {
		all.Go(func() error { return a.serve(ctx) })
	}
	return ended(ctx, all.Wait())
}

// ended turns the end that was asked for into no error.
func ended(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return nil
	}
	return err
}

// prepare brings the database's schema up to date, as soon as there is a database.
func (a *Archive) prepare(ctx context.Context) error {
	return a.insist(ctx, "the database cannot be used", func(ctx context.Context) error {
		conn, err := a.pool.Acquire(ctx)
		if err != nil {
			return err
		}
		defer conn.Release()
		return migrate(ctx, conn.Conn())
	})
}

// Waits between attempts.
const shortestWait, longestWait = 100 * time.Millisecond, 2 * time.Second

// insist does something until it succeeds, or ctx ends. An error that a person has to mend ends it too.
func (a *Archive) insist(ctx context.Context, what string, do func(context.Context) error) error {
	for wait := shortestWait; ; wait = min(2*wait, longestWait) {
		err := do(ctx)
		if err == nil || errors.Is(err, errNewer) {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		a.counted.failures.Add(1)
		a.log.Warn(what+"; it is tried again", "error", err)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}

// open makes a pool of sessions that keep what they acknowledge. It asks nobody yet.
func open(ctx context.Context, c postgres.Connection, most int32) (*pgxpool.Pool, error) {
	return openPool(ctx, c, most, true)
}

// openPool makes a pool of sessions, for writing or for reading alone, also from a standby.
func openPool(ctx context.Context, c postgres.Connection, most int32, writing bool) (*pgxpool.Pool, error) {
	dialer := &net.Dialer{KeepAlive: 15 * time.Second}
	options, err := c.Options(dialer.DialContext)
	if err != nil {
		return nil, err
	}
	// The text is only the library's way to make a Config: all of it is replaced.
	p, err := pgxpool.ParseConfig("host=localhost user=weighpost database=weighpost sslmode=disable")
	if err != nil {
		return nil, errors.New("environment variables whose names begin with PG stand in the way: weighpost needs none of them")
	}
	p.ConnConfig, p.MaxConns, p.MinConns, p.MaxConnIdleTime = options, most, 0, time.Minute
	p.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		if writing {
			return c.Durable(ctx, conn)
		}
		_, err := conn.Exec(ctx, "SELECT set_config('default_transaction_read_only', 'on', false), set_config('statement_timeout', $1, false)",
			fmt.Sprint(c.Timeout.D().Milliseconds()))
		return err
	}
	return pgxpool.NewWithConfig(ctx, p)
}
