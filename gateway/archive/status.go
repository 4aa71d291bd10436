package archive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// States of a journal in the archive, the worst last.
const (
	StateVerified = "verified"   // all that is here is under a checkpoint of the gateway, and that one is co-signed
	StateWaiting  = "waiting"    // for entries, or for the next checkpoint
	StateNoKey    = "no key"     // nothing can be verified: no key of it is configured
	StateDispute  = "in dispute" // it contradicts itself; a person has to look
)

// Gateway is how one life of a gateway's journal is in the archive. Numbers are sequences: entries 1 to this one.
type Gateway struct {
	Site        string     `json:"site"`
	Incarnation string     `json:"incarnation"`
	Origin      string     `json:"origin"` // of its checkpoints
	State       string     `json:"state"`
	Wrong       []string   `json:"wrong,omitempty"` // sentences: what is missing, what contradicts what
	First       uint64     `json:"first"`           // its own first entry: those before are of the life before
	Before      string     `json:"before,omitempty"`
	Held        uint64     `json:"held"`     // without a gap
	Highest     uint64     `json:"highest"`  // of all that came
	Verified    uint64     `json:"verified"` // under a checkpoint that the gateway signed
	Cosigned    uint64     `json:"cosigned"` // under one that the archive co-signed
	CosignedAt  *time.Time `json:"cosigned_at,omitempty"`
	Checkpoint  string     `json:"cosigned_checkpoint,omitempty"` // the signed note, with both signature lines
	Received    *time.Time `json:"received,omitempty"`            // when the last entry came
	Evidence    int        `json:"evidence,omitempty"`            // messages and checkpoints that were kept because they do not fit

	dispute       string
	next          uint64 // the first entry beyond the gap; 0: none
	waits         uint64 // size of the largest checkpoint that waits
	stuck         bool   // a checkpoint waits of which all entries are here
	later         string // the life that goes on from this one
	laterFirst    uint64
	badOnes       int
	onlyWeighings bool // of what came beyond the gap
}

const gatewaysSQL = `SELECT j.site, j.incarnation, j.first, coalesce(b.incarnation, ''), j.held, j.verified, j.cosigned, coalesce(j.dispute, ''),
	coalesce((SELECT max(seq) FROM archive.entries e WHERE e.journal = j.journal), 0),
	coalesce((SELECT min(seq) FROM archive.entries e WHERE e.journal = j.journal AND e.seq > j.held), 0),
	(SELECT received FROM archive.entries e WHERE e.journal = j.journal ORDER BY seq DESC LIMIT 1),
	c.at, coalesce(c.note, ''),
	coalesce((SELECT max(size) FROM archive.checkpoints k WHERE k.journal = j.journal AND k.verdict IS NULL), 0),
	EXISTS (SELECT 1 FROM archive.checkpoints k WHERE k.journal = j.journal AND k.verdict IS NULL AND k.size <= j.held
		AND k.received < now() - interval '2 seconds'),
	(SELECT count(*) FROM archive.evidence v WHERE v.journal = j.journal),
	(SELECT count(*) FROM archive.checkpoints k WHERE k.journal = j.journal AND k.verdict IS NOT NULL AND k.verdict <> 'good'),
	coalesce(l.incarnation, ''), coalesce(l.first, 0),
	coalesce((SELECT bool_and(kind IN ('weighing', 'result')) FROM
		(SELECT kind FROM archive.entries e WHERE e.journal = j.journal AND e.seq > j.held ORDER BY seq LIMIT 200) beyond), false)
	FROM archive.journals j LEFT JOIN archive.journals b ON b.journal = j.before
	LEFT JOIN LATERAL (SELECT at, note FROM archive.cosignatures c WHERE c.journal = j.journal ORDER BY size DESC LIMIT 1) c ON true
	LEFT JOIN LATERAL (SELECT incarnation, first FROM archive.journals l WHERE l.before = j.journal ORDER BY journal LIMIT 1) l ON true
	ORDER BY j.site, j.journal`

// Gateways gives the state of every journal, by site.
func (r *Reader) Gateways(ctx context.Context) ([]Gateway, error) {
	rows, err := r.pool.Query(ctx, gatewaysSQL)
	if err != nil {
		return nil, fmt.Errorf("the archive cannot be asked for its gateways: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (g Gateway, err error) {
		var note []byte
		err = row.Scan(&g.Site, &g.Incarnation, &g.First, &g.Before, &g.Held, &g.Verified, &g.Cosigned, &g.dispute, &g.Highest, &g.next, &g.Received,
			&g.CosignedAt, &note, &g.waits, &g.stuck, &g.Evidence, &g.badOnes, &g.later, &g.laterFirst, &g.onlyWeighings)
		g.Checkpoint, g.Origin = string(note), originOf(g.Site, g.Incarnation)
		g.Evidence += g.badOnes
		return g, err
	})
	if err != nil {
		return nil, fmt.Errorf("the archive cannot be asked for its gateways: %w", err)
	}
	for i := range list {
		list[i].judge()
	}
	return list, nil
}

// judge says what state a journal is in, and what is wrong.
func (g *Gateway) judge() {
	g.State = StateVerified
	add := func(state, format string, args ...any) {
		g.State = state
		if format != "" {
			g.Wrong = append(g.Wrong, fmt.Sprintf(format, args...))
		}
	}
	if g.Verified < g.Highest || g.Cosigned < g.Verified {
		add(StateWaiting, "")
	}
	switch {
	case g.next > g.Held+1:
		add(StateWaiting, "%s not come%s", spanOf(g.Held+1, g.next-1), g.whose(g.next-1))
		if g.onlyWeighings {
			add(StateWaiting, "what came after them are weighings and results alone: if the sink of the gateway wants no more, it needs entries: [all]")
		}
	case g.waits > g.Held && g.next == 0:
		add(StateWaiting, "%s not come, and a checkpoint of the gateway has %s", spanOf(g.Held+1, g.waits), themOrIt(g.Held+1, g.waits))
	case g.Held == 0 && g.Highest == 0:
		add(StateWaiting, "no entry has come, only a checkpoint")
	}
	if g.later != "" && g.Highest >= g.laterFirst {
		g.Wrong = append(g.Wrong, fmt.Sprintf("the journal went on as %s after entry %d, from a backup or a copy: entries %d to %d are here and not in the gateway any more",
			g.later, g.laterFirst-1, g.laterFirst, g.Highest))
	}
	if g.stuck {
		add(StateNoKey, "checkpoints of it wait, and no key of it is configured: add the key that key.pub of its journal holds, once you know from whom it is")
	}
	if g.dispute != "" {
		add(StateDispute, "%s", g.dispute)
	}
}

// whose says that missing entries are of the life before, where they are.
func (g *Gateway) whose(last uint64) string {
	if g.Held < g.First-1 && last < g.First {
		return "; they are of the life before this one"
	}
	return ""
}

func spanOf(from, to uint64) string {
	if from == to {
		return fmt.Sprintf("entry %d has", from)
	}
	return fmt.Sprintf("entries %d to %d have", from, to)
}

func themOrIt(from, to uint64) string {
	if from == to {
		return "it"
	}
	return "them"
}

// Oddity is a message, or a checkpoint, that was kept because it does not fit.
type Oddity struct {
	Site        string    `json:"site,omitempty"` // "" where it belongs to no journal
	Incarnation string    `json:"incarnation,omitempty"`
	What        string    `json:"what"`
	Subject     string    `json:"subject,omitempty"`
	Place       uint64    `json:"place"` // its sequence in the stream
	Found       time.Time `json:"found"`
	Bytes       []byte    `json:"bytes"`
}

// Oddities gives what was kept as evidence, newest first, 200 at the most; of one site, or of all where that is "".
func (r *Reader) Oddities(ctx context.Context, site string) ([]Oddity, error) {
	rows, err := r.pool.Query(ctx, `SELECT * FROM (
		SELECT coalesce(j.site, ''), coalesce(j.incarnation, ''), v.what, v.subject, v.place, v.found AS at, v.bytes
			FROM archive.evidence v LEFT JOIN archive.journals j USING (journal) WHERE $1 = '' OR j.site = $1
		UNION ALL SELECT j.site, j.incarnation, c.verdict, '', c.place, c.received, c.note
			FROM archive.checkpoints c JOIN archive.journals j USING (journal) WHERE c.verdict <> 'good' AND ($1 = '' OR j.site = $1)
		) AS all_of_them ORDER BY at DESC LIMIT 200`, text(site))
	if err != nil {
		return nil, fmt.Errorf("the archive cannot be asked for its evidence: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (o Oddity, err error) {
		err = row.Scan(&o.Site, &o.Incarnation, &o.What, &o.Subject, &o.Place, &o.Found, &o.Bytes)
		return o, err
	})
}

// Settle ends the dispute of a journal, on the word of a person and with a reason. The evidence stays; what does not fit from then on is
// another dispute.
func Settle(ctx context.Context, cfg *Config, origin, person, reason string) error {
	site, incarnation, err := splitOrigin(origin)
	if err != nil {
		return err
	}
	if person == "" || reason == "" {
		return errors.New("who settles the dispute, and why, has to be said")
	}
	pool, err := open(ctx, cfg.Database, 1)
	if err != nil {
		return err
	}
	defer pool.Close()
	var settled int
	err = pool.QueryRow(ctx, `WITH was AS (SELECT journal, dispute FROM archive.journals WHERE site = $1 AND incarnation = $2 AND dispute IS NOT NULL FOR UPDATE),
		now_is AS (UPDATE archive.journals j SET dispute = NULL, disputed = NULL FROM was WHERE j.journal = was.journal),
		said AS (INSERT INTO archive.settlements (journal, dispute, person, reason) SELECT journal, dispute, $3, $4 FROM was),
		look AS (INSERT INTO archive.due (journal) SELECT journal FROM was)
		SELECT count(*) FROM was`, site, incarnation, text(person), text(reason)).Scan(&settled)
	switch {
	case err != nil:
		return fmt.Errorf("the dispute cannot be settled: %w", err)
	case settled == 0:
		return fmt.Errorf("the archive has no journal %s that is in dispute", origin)
	}
	return nil
}
