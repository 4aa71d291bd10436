package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// How often an instance looks for what is due without being told, and for journals that wait for something that nobody tells of: a key that was
// added to the configuration, the life before one, what an instance that ended was told.
const lookEvery, sweepEvery = time.Second, 10 * time.Second

// judgeAll looks at what is due until ctx ends.
func (a *Archive) judgeAll(ctx context.Context) error {
	look, sweep := time.NewTicker(lookEvery), time.NewTicker(sweepEvery)
	defer look.Stop()
	defer sweep.Stop()
	if err := a.insist(ctx, "journals cannot be looked at", a.sweep); err != nil {
		return err
	}
	for {
		if err := a.insist(ctx, "journals cannot be looked at", a.judgeDue); err != nil {
			return err
		}
		a.counted.lastLooked.Store(time.Now().Unix())
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-a.kick:
		case <-look.C:
		case <-sweep.C:
			if err := a.insist(ctx, "journals cannot be looked at", a.sweep); err != nil {
				return err
			}
		}
	}
}

// sweep makes due what waits.
func (a *Archive) sweep(ctx context.Context) error {
	_, err := a.pool.Exec(ctx, `INSERT INTO archive.due (journal)
		SELECT DISTINCT c.journal FROM archive.checkpoints c JOIN archive.journals j USING (journal) WHERE c.verdict IS NULL AND c.size <= j.held
		UNION SELECT j.journal FROM archive.journals j LEFT JOIN archive.journals b ON b.journal = j.before
			WHERE j.held = 0 AND j.first > 1 AND (b.journal IS NULL OR b.held >= j.first - 1)
		UNION SELECT journal FROM archive.journals WHERE verified > cosigned AND dispute IS NULL`)
	return err
}

// judgeDue looks at each journal that is due, those that were so for longest first, until none is left but those that others are at.
func (a *Archive) judgeDue(ctx context.Context) error {
	busy := []int64{}
	for {
		rows, err := a.pool.Query(ctx, `SELECT journal FROM archive.due WHERE journal <> ALL($1) GROUP BY journal ORDER BY min(place) LIMIT 100`, busy)
		if err != nil {
			return err
		}
		list, err := pgx.CollectRows(rows, pgx.RowTo[int64])
		if err != nil || len(list) == 0 {
			return err
		}
		for _, journal := range list {
			other, err := a.judge(ctx, journal)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil { // it stays due; the others are not to wait for it
				a.counted.failures.Add(1)
				a.log.Warn("a journal cannot be looked at; it is tried again", "journal", journal, "error", err)
			}
			if other || err != nil {
				busy = append(busy, journal)
			}
			tell(a.signed)
		}
	}
}

// unpublished is a co-signed checkpoint that the stream has not acknowledged.
type unpublished struct {
	journal, size int64
	site          string
	note          []byte
}

// publishAll publishes until ctx ends: what this instance co-signed at once, and what others left, now and then.
func (a *Archive) publishAll(ctx context.Context, js jetstream.JetStream) error {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		if err := a.insist(ctx, "co-signed checkpoints cannot be published", func(ctx context.Context) error { return a.publish(ctx, js) }); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-a.signed:
		case <-look.C:
		}
	}
}

// publish hands co-signed checkpoints to the stream, under PREFIX.SITE.cosigned. Two instances may publish the same one: it has the same
// id, and the stream keeps it once.
func (a *Archive) publish(ctx context.Context, js jetstream.JetStream) error {
	rows, err := a.pool.Query(ctx, `SELECT c.journal, c.size, j.site, c.note FROM archive.cosignatures c JOIN archive.journals j USING (journal)
		WHERE c.published IS NULL ORDER BY c.at LIMIT 500`)
	if err != nil {
		return err
	}
	list, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (u unpublished, err error) {
		return u, r.Scan(&u.journal, &u.size, &u.site, &u.note)
	})
	if err != nil {
		return err
	}
	for _, u := range list {
		sum := sha256.Sum256(u.note)
		m := nats.NewMsg(a.cfg.NATS.Prefix + "." + u.site + "." + cosignedToken)
		m.Data = u.note
		m.Header.Set(jetstream.MsgIDHeader, "cosigned/"+hex.EncodeToString(sum[:16]))
		m.Header.Set("Content-Type", "text/plain; charset=utf-8")
		limit, cancel := context.WithTimeout(ctx, askLimit)
		_, err := js.PublishMsg(limit, m, jetstream.WithExpectStream(a.cfg.NATS.Stream))
		cancel()
		if err != nil {
			return fmt.Errorf("a co-signed checkpoint of %s was not acknowledged by the stream: %w", u.site, err)
		}
		a.counted.cosigned.Add(1)
		_, err = a.pool.Exec(ctx, "UPDATE archive.cosignatures SET published = now() WHERE journal = $1 AND size = $2", u.journal, u.size)
		if err != nil {
			return err
		}
	}
	return nil
}
