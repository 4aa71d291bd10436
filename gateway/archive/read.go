package archive

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"weighpost/sinks/postgres"
)

// Reader reads an archive for whoever shows it. It changes nothing: a role that may only read is enough.
type Reader struct{ pool *pgxpool.Pool }

// OpenReader makes a Reader. It asks nobody yet; the methods do, with as many sessions as 8.
func OpenReader(ctx context.Context, c postgres.Connection) (*Reader, error) {
	pool, err := openPool(ctx, c, 8, false)
	if err != nil {
		return nil, err
	}
	return &Reader{pool}, nil
}

// Close ends the sessions.
func (r *Reader) Close() { r.pool.Close() }

// Ready says why the archive cannot be read, or nil.
func (r *Reader) Ready(ctx context.Context) error {
	at, err := schemaAt(ctx, r.pool)
	all := steps()
	switch {
	case err != nil:
		return fmt.Errorf("the archive's database cannot be read: %w", err)
	case at == 0:
		return errors.New("the database holds no archive that this role may see: weighpost archive run makes it at its first start")
	case at > all[len(all)-1].number:
		return errNewer
	}
	return nil
}

// Filter says which entries are wanted. What is empty asks for nothing.
type Filter struct {
	Site, Incarnation, Balance       string
	Person, Sample, Method, Run, Lot string
	Kinds                            []string
	From, To                         time.Time // From is included, To is not
}

// Place is where a page ends: by time and then by id, which no two entries share.
type Place struct {
	At time.Time
	ID string
}

// MostInPage bounds a page.
const MostInPage = 1000

// Stored is an entry as the archive has it. Texts are "" where the entry says nothing.
type Stored struct {
	ID, Site, Incarnation, Kind, Balance string
	Seq                                  uint64
	At                                   time.Time // by its stamp; where it has none, when it came
	Clock                                string
	Digits, Unit, ValueKind, Stability   string
	Person, Sample, Method, Run, Lot     string
	Passed                               *bool // nil where no rule judged
	Late                                 bool
	Verified                             bool   // it leads to the root of a checkpoint that its gateway signed
	Cosigned                             bool   // and of one that the archive co-signed
	Dispute                              string // of its journal
	Received                             time.Time
	JSON                                 []byte // the exact bytes
}

// Place is where a page that ends with the entry ends.
func (s Stored) Place() Place { return Place{s.At, s.ID} }

// storedColumns are those of Stored, in order.
const storedColumns = `e.id, j.site, j.incarnation, e.kind, coalesce(e.balance, ''), e.seq, e.at, coalesce(e.clock, ''), coalesce(e.digits, ''), coalesce(e.unit, ''),
	coalesce(e.value_kind, ''), coalesce(e.stability, ''), coalesce(e.person, ''), coalesce(e.sample, ''), coalesce(e.method, ''), coalesce(e.run, ''),
	coalesce(e.lot, ''), e.passed, e.late, e.seq <= j.verified, e.seq <= j.cosigned, coalesce(j.dispute, ''), e.received, e.entry`

func scanStored(row pgx.CollectableRow) (s Stored, err error) {
	err = row.Scan(&s.ID, &s.Site, &s.Incarnation, &s.Kind, &s.Balance, &s.Seq, &s.At, &s.Clock, &s.Digits, &s.Unit, &s.ValueKind, &s.Stability,
		&s.Person, &s.Sample, &s.Method, &s.Run, &s.Lot, &s.Passed, &s.Late, &s.Verified, &s.Cosigned, &s.Dispute, &s.Received, &s.JSON)
	s.At, s.Received = s.At.UTC(), s.Received.UTC()
	return s, err
}

// Entries gives up to limit entries, newest first, that are older than a place; nil begins with the newest. Entries that come while
// somebody turns pages move nothing: those after a place stay after it.
func (r *Reader) Entries(ctx context.Context, f Filter, before *Place, limit int) ([]Stored, error) {
	where, args := f.where()
	if before != nil {
		args = append(args, before.At, before.ID)
		where = append(where, fmt.Sprintf("(e.at, e.id) < ($%d, $%d)", len(args)-1, len(args)))
	}
	args = append(args, min(max(limit, 1), MostInPage))
	sql := "SELECT " + storedColumns + " FROM archive.entries e JOIN archive.journals j USING (journal)"
	if len(where) > 0 {
		sql += " WHERE " + strings.Join(where, " AND ")
	}
	rows, err := r.pool.Query(ctx, sql+fmt.Sprintf(" ORDER BY e.at DESC, e.id DESC LIMIT $%d", len(args)), args...)
	if err != nil {
		return nil, fmt.Errorf("the archive cannot be searched: %w", err)
	}
	list, err := pgx.CollectRows(rows, scanStored)
	if err != nil {
		return nil, fmt.Errorf("the archive cannot be searched: %w", err)
	}
	return list, nil
}

// where makes the conditions of a filter.
func (f Filter) where() (where []string, args []any) {
	add := func(condition string, value any) {
		args = append(args, value)
		where = append(where, fmt.Sprintf(condition, len(args)))
	}
	for _, one := range []struct{ condition, value string }{
		// The journals first, so that the index by journal and time serves.
		{"e.journal IN (SELECT journal FROM archive.journals WHERE site = $%d)", f.Site},
		{"e.journal IN (SELECT journal FROM archive.journals WHERE incarnation = $%d)", f.Incarnation},
		{"e.balance = $%d", f.Balance}, {"e.person = $%d", f.Person}, {"e.sample = $%d", f.Sample}, {"e.method = $%d", f.Method},
		{"e.run = $%d", f.Run}, {"e.lot = $%d", f.Lot},
	} {
		if one.value != "" {
			add(one.condition, text(one.value))
		}
	}
	if len(f.Kinds) > 0 {
		add("e.kind = ANY($%d)", f.Kinds)
	}
	if !f.From.IsZero() {
		add("e.at >= $%d", f.From)
	}
	if !f.To.IsZero() {
		add("e.at < $%d", f.To)
	}
	return where, args
}

// ErrNone says that the archive has no such entry.
var ErrNone = errors.New("the archive has no entry of this id")

// Entry gives one entry.
func (r *Reader) Entry(ctx context.Context, id string) (Stored, error) {
	rows, err := r.pool.Query(ctx, "SELECT "+storedColumns+" FROM archive.entries e JOIN archive.journals j USING (journal) WHERE e.id = $1", text(id))
	if err != nil {
		return Stored{}, fmt.Errorf("the archive cannot be asked: %w", err)
	}
	s, err := pgx.CollectExactlyOneRow(rows, scanStored)
	if errors.Is(err, pgx.ErrNoRows) {
		return s, ErrNone
	}
	if err != nil {
		return s, fmt.Errorf("the archive cannot be asked: %w", err)
	}
	return s, nil
}
