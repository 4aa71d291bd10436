package archive

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// store writes what messages turned out to be, in one transaction: all of it, or nothing. What is there already changes nothing.
func (a *Archive) store(ctx context.Context, b batch) (changed stored, err error) {
	if len(b.rows)+len(b.heads)+len(b.oddities) == 0 { // the archive's own messages
		return stored{}, nil
	}
	tx, err := a.pool.Begin(ctx)
	if err != nil {
		return stored{}, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	// One order for everybody, so that two instances with the same entries wait for each other and not in a circle.
	slices.SortFunc(b.rows, func(x, y row) int { return strings.Compare(x.id, y.id) })
	w := writing{tx: tx, journals: map[[2]string]int64{}, due: map[int64]bool{}}
	if err := w.findJournals(ctx, b); err != nil {
		return stored{}, err
	}
	if err := w.entries(ctx, b.rows); err != nil {
		return stored{}, err
	}
	if err := w.checkpoints(ctx, b.heads); err != nil {
		return stored{}, err
	}
	for _, o := range b.oddities {
		if err := w.evidence(ctx, nil, o.what, o.message); err != nil {
			return stored{}, err
		}
	}
	for journal := range w.due {
		if _, err := tx.Exec(ctx, "INSERT INTO archive.due (journal) VALUES ($1)", journal); err != nil {
			return stored{}, err
		}
	}
	return w.done, tx.Commit(ctx)
}

// stored counts what a transaction brought.
type stored struct{ entries, again, contradictions, checkpoints, oddities int }

// writing is one transaction that writes a batch.
type writing struct {
	tx       pgx.Tx
	journals map[[2]string]int64 // site, incarnation
	due      map[int64]bool
	done     stored
}

// findJournals gives each journal of a batch its number, and makes those that are new.
func (w *writing) findJournals(ctx context.Context, b batch) error {
	named := map[[2]string]bool{}
	for _, r := range b.rows {
		named[[2]string{r.site, r.incarnation}] = true
	}
	for _, h := range b.heads {
		named[[2]string{h.site, h.incarnation}] = true
	}
	if len(named) == 0 {
		return nil
	}
	var sites, incarnations []string
	for k := range named {
		sites, incarnations = append(sites, k[0]), append(incarnations, k[1])
	}
	_, err := w.tx.Exec(ctx, `INSERT INTO archive.journals (site, incarnation)
		SELECT n.site, n.incarnation FROM unnest($1::text[], $2::text[]) n(site, incarnation)
		WHERE NOT EXISTS (SELECT 1 FROM archive.journals j WHERE j.site = n.site AND j.incarnation = n.incarnation)
		ORDER BY 1, 2 ON CONFLICT DO NOTHING`, sites, incarnations)
	if err != nil {
		return err
	}
	rows, err := w.tx.Query(ctx, `SELECT j.journal, j.site, j.incarnation FROM archive.journals j
		JOIN unnest($1::text[], $2::text[]) n(site, incarnation) USING (site, incarnation)`, sites, incarnations)
	if err != nil {
		return err
	}
	var journal int64
	var site, incarnation string
	_, err = pgx.ForEachRow(rows, []any{&journal, &site, &incarnation}, func() error {
		w.journals[[2]string{site, incarnation}] = journal
		return nil
	})
	return err
}

// column is one column that a batch is handed over in, as an array.
type column struct {
	name, kind string
	of         func(r *row) any
}

var columns = []column{
	{"id", "text", func(r *row) any { return r.id }},
	{"seq", "bigint", func(r *row) any { return r.seq }},
	{"kind", "text", func(r *row) any { return r.kind }},
	{"balance", "text", func(r *row) any { return r.balance }},
	{"clock", "text", func(r *row) any { return r.clock }},
	{"digits", "text", func(r *row) any { return r.digits }},
	{"value", "numeric", func(r *row) any { return r.value }},
	{"unit", "text", func(r *row) any { return r.unit }},
	{"value_kind", "text", func(r *row) any { return r.valueKind }},
	{"stability", "text", func(r *row) any { return r.stability }},
	{"person", "text", func(r *row) any { return r.person }},
	{"sample", "text", func(r *row) any { return r.sample }},
	{"method", "text", func(r *row) any { return r.method }},
	{"run", "text", func(r *row) any { return r.run }},
	{"lot", "text", func(r *row) any { return r.lot }},
	{"passed", "boolean", func(r *row) any { return r.passed }},
	{"late", "boolean", func(r *row) any { return r.late }},
	{"leaf", "bytea", func(r *row) any { return r.leaf }},
	{"entry", "bytea", func(r *row) any { return r.entry }},
}

// insertEntries is one statement for a whole batch: an array for each column. The journal and the time come first.
var insertEntries = func() string {
	names, arrays, values := "journal, at", "$1::bigint[], $2::timestamptz[]", "n.journal, coalesce(n.at, now())"
	for i, c := range columns {
		kind := c.kind
		if kind == "numeric" {
			kind = "text" // so that the digits reach it as they are
		}
		names += ", " + c.name
		arrays += fmt.Sprintf(", $%d::%s[]", i+3, kind)
		values += ", n." + c.name + "::" + c.kind
	}
	return "INSERT INTO archive.entries (" + names + ") SELECT " + values + " FROM unnest(" + arrays + ") WITH ORDINALITY AS n(" + names +
		", place) ORDER BY n.place ON CONFLICT DO NOTHING"
}()

// entries inserts rows, and keeps as evidence what contradicts a row that is there.
func (w *writing) entries(ctx context.Context, rows []row) error {
	if len(rows) == 0 {
		return nil
	}
	journals, times := make([]int64, len(rows)), make([]any, len(rows))
	args := make([]any, len(columns)+2)
	for i := range rows {
		journals[i] = w.journals[[2]string{rows[i].site, rows[i].incarnation}]
		w.due[journals[i]] = true
		if !rows[i].at.IsZero() {
			times[i] = rows[i].at
		}
	}
	args[0], args[1] = journals, times
	for c, col := range columns {
		list := make([]any, len(rows))
		for i := range rows {
			list[i] = col.of(&rows[i])
		}
		args[c+2] = list
	}
	tag, err := w.tx.Exec(ctx, insertEntries, args...)
	if err != nil {
		return err
	}
	w.done.entries = int(tag.RowsAffected())
	if w.done.entries == len(rows) {
		return nil
	}
	w.done.again = len(rows) - w.done.entries
	return w.compare(ctx, rows, journals)
}

// contradictions finds the rows of a batch that are not in the table as they came: another has their id, or their place in the journal.
const contradictions = `SELECT n.place, n.journal,
	coalesce((SELECT e.id FROM archive.entries e WHERE e.id = n.id AND (e.entry <> n.entry OR e.journal <> n.journal)),
	         (SELECT e.id FROM archive.entries e WHERE e.journal = n.journal AND e.seq = n.seq AND e.id <> n.id))
	FROM unnest($1::text[], $2::bigint[], $3::bigint[], $4::bytea[]) WITH ORDINALITY AS n(id, journal, seq, entry, place)
	WHERE NOT EXISTS (SELECT 1 FROM archive.entries e WHERE e.id = n.id AND e.journal = n.journal AND e.seq = n.seq AND e.entry = n.entry)
	ORDER BY n.place`

func (w *writing) compare(ctx context.Context, rows []row, journals []int64) error {
	ids, seqs, entries := make([]string, len(rows)), make([]int64, len(rows)), make([][]byte, len(rows))
	for i, r := range rows {
		ids[i], seqs[i], entries[i] = r.id, r.seq, r.entry
	}
	found, err := w.tx.Query(ctx, contradictions, ids, journals, seqs, entries)
	if err != nil {
		return err
	}
	type other struct {
		place   int
		journal int64
		id      *string
	}
	list, err := pgx.CollectRows(found, func(r pgx.CollectableRow) (o other, err error) {
		return o, r.Scan(&o.place, &o.journal, &o.id)
	})
	if err != nil {
		return err
	}
	for _, o := range list {
		r := rows[o.place-1]
		if o.id == nil {
			return fmt.Errorf("the entry %s is not in the table after it was inserted: a trigger or a rule there drops it", r.id)
		}
		what := fmt.Sprintf("the entry %s was published a second time with other bytes; those that came first stay", r.id)
		if *o.id != r.id {
			what = fmt.Sprintf("the entry %s was published as entry %d, which %s is already; that one stays", r.id, r.seq, *o.id)
		}
		if err := w.evidence(ctx, &o.journal, what, message{subject: r.subject, place: r.place, body: r.entry}); err != nil {
			return err
		}
		w.done.again--
		w.done.contradictions++
	}
	return nil
}

// evidence keeps a message, and has its journal, where it has one, in dispute. The same message is kept once.
func (w *writing) evidence(ctx context.Context, journal *int64, what string, m message) error {
	tag, err := w.tx.Exec(ctx, `INSERT INTO archive.evidence (digest, journal, what, subject, place, bytes) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT DO NOTHING`, digestOf(m.subject, m.body), journal, text(what), text(m.subject), m.place, m.body)
	if err != nil || tag.RowsAffected() == 0 {
		return err
	}
	if journal == nil {
		w.done.oddities++
		return nil
	}
	return dispute(ctx, w.tx, *journal, what)
}

// dispute puts a journal in dispute. The first reason stays the one that is told; the others are in the evidence and the verdicts.
func dispute(ctx context.Context, tx pgx.Tx, journal int64, what string) error {
	_, err := tx.Exec(ctx, `UPDATE archive.journals SET dispute = $2, disputed = now() WHERE journal = $1 AND dispute IS NULL`, journal, text(what))
	return err
}

// checkpoints keeps checkpoints until they are judged.
func (w *writing) checkpoints(ctx context.Context, heads []head) error {
	for _, h := range heads {
		journal := w.journals[[2]string{h.site, h.incarnation}]
		tag, err := w.tx.Exec(ctx, `INSERT INTO archive.checkpoints (digest, journal, size, place, note) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT DO NOTHING`, h.digest, journal, h.size, h.place, h.note)
		if err != nil {
			return err
		}
		if tag.RowsAffected() > 0 {
			w.done.checkpoints++
			w.due[journal] = true
		}
	}
	return nil
}

// hostile says whether PostgreSQL refuses what it was given, whoever asks and whenever: data exceptions and program limits (PostgreSQL,
// appendix A: SQLSTATE, classes 22 and 54).
func hostile(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (strings.HasPrefix(pg.Code, "22") || strings.HasPrefix(pg.Code, "54"))
}
