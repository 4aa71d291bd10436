package archive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
)

// judging is one transaction that looks at one journal, under its lock.
type judging struct {
	a    *Archive
	tx   pgx.Tx
	tree *tree
	journalRow
	keys []note.Verifier
}

// journalRow is a row of archive.journals.
type journalRow struct {
	number, first, held, verified, cosigned int64
	site, incarnation                       string
	before                                  *int64
	dispute                                 *string
}

func (j journalRow) origin() string { return originOf(j.site, j.incarnation) }

const good = "good"

// judge does what is due about one journal: it hashes what came, judges checkpoints and co-signs. busy says that another instance is at it.
func (a *Archive) judge(ctx context.Context, number int64) (busy bool, err error) {
	tx, err := a.pool.Begin(ctx)
	if err != nil {
		return false, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	var locked bool
	// The key of the lock has 32 bits for the journal: two that share one only wait for each other.
	if err := tx.QueryRow(ctx, "SELECT pg_try_advisory_xact_lock($1, $2)", lockTree, int32(number)).Scan(&locked); err != nil || !locked {
		return !locked, err
	}
	// What is due and comes after this statement stays due, and what came before is seen by those that follow.
	if _, err := tx.Exec(ctx, "DELETE FROM archive.due WHERE journal = $1", number); err != nil {
		return false, err
	}
	j := judging{a: a, tx: tx}
	if err := j.look(ctx, number); err != nil {
		return false, err
	}
	if err := j.work(ctx); err != nil {
		return false, err
	}
	_, err = tx.Exec(ctx, `UPDATE archive.journals SET before = $2, first = $3, held = $4, verified = $5, cosigned = $6 WHERE journal = $1`,
		number, j.before, j.first, j.held, j.verified, j.cosigned)
	if err != nil {
		return false, err
	}
	return false, tx.Commit(ctx)
}

// look reads the journal's row.
func (j *judging) look(ctx context.Context, number int64) error {
	j.number = number
	err := j.tx.QueryRow(ctx, `SELECT site, incarnation, before, first, held, verified, cosigned, dispute FROM archive.journals WHERE journal = $1`, number).
		Scan(&j.site, &j.incarnation, &j.before, &j.first, &j.held, &j.verified, &j.cosigned, &j.dispute)
	if err != nil {
		return fmt.Errorf("the journal %d of the archive: %w", number, err)
	}
	return nil
}

func (j *judging) work(ctx context.Context) (err error) {
	if j.held == 0 && j.before == nil {
		if err := j.goesOn(ctx); err != nil {
			return err
		}
	}
	if j.tree, err = openTree(ctx, j.tx, j.number); err != nil {
		return err
	}
	if j.held == 0 && j.before != nil {
		if ready, err := j.takeOver(ctx); err != nil || !ready {
			return err
		}
	}
	if err := j.extend(ctx); err != nil {
		return err
	}
	if j.keys, err = j.a.trusted.of(ctx, j.tx, j.origin()); err != nil {
		return err
	}
	if err := j.checkpoints(ctx); err != nil {
		return err
	}
	return j.cosign(ctx)
}

// goesOn finds out whether this life of a journal goes on from another.
func (j *judging) goesOn(ctx context.Context) error {
	var seq int64
	var raw []byte
	err := j.tx.QueryRow(ctx, "SELECT seq, entry FROM archive.entries WHERE journal = $1 AND kind = 'restored' ORDER BY seq LIMIT 1", j.number).
		Scan(&seq, &raw)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	r, err := beginning(raw)
	if err != nil || r.Incarnation != j.incarnation || r.Predecessor.Incarnation == j.incarnation {
		return j.contest(ctx, fmt.Sprintf("entry %d says that another life of the journal begins, and does not name this one and the one before it", seq))
	}
	var before int64
	err = j.tx.QueryRow(ctx, "SELECT journal FROM archive.journals WHERE site = $1 AND incarnation = $2", j.site, r.Predecessor.Incarnation).Scan(&before)
	if errors.Is(err, pgx.ErrNoRows) {
		j.first = seq // nothing of the life before has come
		return nil
	}
	j.before, j.first = &before, seq
	if err == nil {
		_, err = j.tx.Exec(ctx, "UPDATE archive.journals SET before = $2, first = $3 WHERE journal = $1", j.number, before, seq)
	}
	return err
}

// takeOver begins with what the life before has, once all of it that this one goes on from is hashed.
func (j *judging) takeOver(ctx context.Context) (ready bool, err error) {
	var held int64
	if err := j.tx.QueryRow(ctx, "SELECT held FROM archive.journals WHERE journal = $1", *j.before).Scan(&held); err != nil || held < j.first-1 {
		return false, err
	}
	if err := j.tree.adopt(); err != nil {
		return false, err
	}
	j.held = j.first - 1
	return true, nil
}

func (j *judging) extend(ctx context.Context) error {
	held, turnings, more, err := j.tree.extend(j.held)
	if err != nil {
		return err
	}
	for _, t := range turnings {
		if err := j.a.trusted.vouch(ctx, j.tx, j.site, j.origin(), t); err != nil {
			return err
		}
	}
	j.held = held
	if more {
		_, err = j.tx.Exec(ctx, "INSERT INTO archive.due (journal) VALUES ($1)", j.number)
	}
	return err
}

// contest puts the journal in dispute.
func (j *judging) contest(ctx context.Context, what string) error {
	if j.dispute == nil {
		j.dispute = &what
	}
	return dispute(ctx, j.tx, j.number, what)
}

// waiting is a checkpoint that has not been judged.
type waiting struct {
	digest, note []byte
	size, place  int64
}

// checkpoints judges those of which all entries are here, smallest first.
func (j *judging) checkpoints(ctx context.Context) error {
	if len(j.keys) == 0 {
		return nil // nobody to judge them by: they wait until somebody says whose journal this is
	}
	rows, err := j.tx.Query(ctx, `SELECT digest, note, size, place FROM archive.checkpoints WHERE journal = $1 AND verdict IS NULL AND size <= $2
		ORDER BY size, place LIMIT 1000`, j.number, j.held)
	if err != nil {
		return err
	}
	list, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (w waiting, err error) {
		return w, r.Scan(&w.digest, &w.note, &w.size, &w.place)
	})
	if err != nil {
		return err
	}
	for _, w := range list {
		what, err := j.verdict(ctx, w)
		if err != nil {
			return err
		}
		if _, err := j.tx.Exec(ctx, "UPDATE archive.checkpoints SET verdict = $2 WHERE digest = $1", w.digest, what); err != nil {
			return err
		}
		if what == good {
			j.verified = max(j.verified, w.size)
			continue
		}
		if err := j.contest(ctx, what); err != nil {
			return err
		}
	}
	// A good checkpoint says all that smaller good ones said.
	_, err = j.tx.Exec(ctx, `DELETE FROM archive.checkpoints WHERE journal = $1 AND verdict = 'good' AND digest <>
		(SELECT digest FROM archive.checkpoints WHERE journal = $1 AND verdict = 'good' ORDER BY size DESC, place LIMIT 1)`, j.number)
	return err
}

// verdict says what a checkpoint is: good, or what is wrong with it.
func (j *judging) verdict(ctx context.Context, w waiting) (string, error) {
	c, err := proof.Open(w.note, j.keys...)
	if err != nil {
		return fmt.Sprintf("a checkpoint of %d entries is not signed by a key that is configured for this journal, or that such a key vouched for: %v",
			w.size, err), nil
	}
	if c.Origin != j.origin() || int64(c.Size) != w.size {
		return fmt.Sprintf("a checkpoint of %.80q was kept under %s", c.Origin, j.origin()), nil
	}
	root, err := tlog.TreeHash(w.size, j.tree)
	if err != nil {
		return "", fmt.Errorf("the root of %d entries of %s: %w", w.size, j.origin(), err)
	}
	if root != c.Root {
		if what, err := j.altered(ctx); err != nil || what != "" {
			return what, err
		}
		return fmt.Sprintf("the gateway signed a checkpoint of %d entries that does not follow from the entries it has published: an entry was altered, "+
			"put in or taken out after it was delivered", w.size), nil
	}
	var larger *int64
	err = j.tx.QueryRow(ctx, "SELECT max(size) FROM archive.checkpoints WHERE journal = $1 AND size > $2 AND place < $3 AND verdict = 'good'", j.number,
		w.size, w.place).Scan(&larger)
	if err != nil {
		return "", err
	}
	if larger != nil {
		return fmt.Sprintf("the gateway published a checkpoint of %d entries after one of %d: its journal was set back", w.size, *larger), nil
	}
	return good, nil
}

// cosign puts the archive's signature under the newest good checkpoint, if it is newer than the last one and goes on from it.
func (j *judging) cosign(ctx context.Context) error {
	if j.dispute != nil || j.verified <= j.cosigned || j.a.cosigner == nil {
		return nil
	}
	var signed []byte
	err := j.tx.QueryRow(ctx, "SELECT note FROM archive.checkpoints WHERE journal = $1 AND size = $2 AND verdict = 'good' ORDER BY place LIMIT 1", j.number,
		j.verified).Scan(&signed)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	if what, err := j.goesBack(ctx, signed); err != nil || what != "" {
		return errors.Join(err, j.contestIf(ctx, what))
	}
	now := time.Now().UTC()
	cosigned, err := j.a.cosigner.Cosign(signed, now, j.keys...)
	if err != nil {
		return fmt.Errorf("a checkpoint of %s cannot be co-signed: %w", j.origin(), err)
	}
	_, err = j.tx.Exec(ctx, "INSERT INTO archive.cosignatures (journal, size, note, at) VALUES ($1, $2, $3, $4)", j.number, j.verified, cosigned, now)
	if err != nil {
		return err
	}
	j.cosigned = j.verified
	// Of each day the last stays; one that was not published yet stays until it was.
	_, err = j.tx.Exec(ctx, `DELETE FROM archive.cosignatures WHERE journal = $1 AND size < $2 AND published IS NOT NULL
		AND (at AT TIME ZONE 'UTC')::date = ($3::timestamptz AT TIME ZONE 'UTC')::date`, j.number, j.cosigned, now)
	return err
}

func (j *judging) contestIf(ctx context.Context, what string) error {
	if what == "" {
		return nil
	}
	return j.contest(ctx, what)
}

// lastCosigned reads the checkpoint that was co-signed last; ok is false where there is none.
func (j *judging) lastCosigned(ctx context.Context) (c proof.Checkpoint, ok bool, err error) {
	var before []byte
	err = j.tx.QueryRow(ctx, "SELECT note FROM archive.cosignatures WHERE journal = $1 ORDER BY size DESC LIMIT 1", j.number).Scan(&before)
	if errors.Is(err, pgx.ErrNoRows) {
		return c, false, nil
	}
	if err == nil {
		c, err = proof.Peek(before)
	}
	return c, err == nil, err
}

// goesBack holds a checkpoint against the last one that was co-signed, by a consistency proof (RFC 6962 section 2.1.2).
func (j *judging) goesBack(ctx context.Context, signed []byte) (what string, err error) {
	later, err := proof.Peek(signed)
	if err != nil {
		return "", err
	}
	earlier, there, err := j.lastCosigned(ctx)
	if err != nil || !there {
		return "", err
	}
	var path []tlog.Hash
	if earlier.Size > 0 && earlier.Size < later.Size {
		if path, err = tlog.ProveTree(int64(later.Size), int64(earlier.Size), j.tree); err != nil {
			return "", fmt.Errorf("the proof that %d entries of %s go on from %d: %w", later.Size, j.origin(), earlier.Size, err)
		}
	}
	if err := proof.Extends(earlier, later, path); err != nil {
		return fmt.Sprintf("the checkpoint of %d entries does not go on from the one of %d that was co-signed: %v", later.Size, earlier.Size, err), nil
	}
	return "", nil
}

// altered says whether the entries in the database are no longer those that the archive has co-signed: then it is not the gateway that is
// to be asked.
func (j *judging) altered(ctx context.Context) (what string, err error) {
	c, there, err := j.lastCosigned(ctx)
	if err != nil || !there {
		return "", err
	}
	root, err := tlog.TreeHash(int64(c.Size), j.tree)
	if err != nil || root == c.Root {
		return "", err
	}
	return fmt.Sprintf("the first %d entries in the archive's database are no longer those that it co-signed: the database was altered", c.Size), nil
}
