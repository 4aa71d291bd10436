package archive

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// groupLevel is the lowest level of which hashes are kept beside the leaves: subtrees of 256 leaves.
const groupLevel, groupSize = 8, 1 << 8

// mostLeaves is how many leaves one transaction hashes.
const mostLeaves = 8192

// tree is the Merkle tree of one journal as the database has it, within one transaction. It implements tlog.HashReader.
type tree struct {
	ctx    context.Context // of the one transaction that it serves: the interface of tlog has no room for it
	tx     pgx.Tx
	lives  []life                 // the journal itself first, then the life before it, and so on
	nodes  map[[2]int64]tlog.Hash // level and place, of those that were read or made
	groups map[int64][]tlog.Hash  // leaves, by group
}

// life is one journal: its entries from first on are its own.
type life struct{ journal, first int64 }

// openTree finds the lives of a journal.
func openTree(ctx context.Context, tx pgx.Tx, journal int64) (*tree, error) {
	t := &tree{ctx: ctx, tx: tx, nodes: map[[2]int64]tlog.Hash{}, groups: map[int64][]tlog.Hash{}}
	rows, err := tx.Query(ctx, `WITH RECURSIVE lives AS (
			SELECT journal, first, before, 1 AS depth FROM archive.journals WHERE journal = $1
			UNION ALL SELECT j.journal, j.first, j.before, l.depth + 1 FROM archive.journals j JOIN lives l ON j.journal = l.before WHERE l.depth < 1000)
		SELECT journal, first FROM lives ORDER BY depth`, journal)
	if err != nil {
		return nil, err
	}
	t.lives, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (l life, err error) { return l, r.Scan(&l.journal, &l.first) })
	return t, err
}

// ReadHashes is tlog's way to ask.
func (t *tree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	hashes := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		var err error
		if hashes[i], err = t.node(level, n); err != nil {
			return nil, err
		}
	}
	return hashes, nil
}

// node gives the hash of a whole subtree.
func (t *tree) node(level int, n int64) (h tlog.Hash, err error) {
	if level < groupLevel {
		at := n << level
		group, err := t.group(at >> groupLevel)
		if err != nil {
			return h, err
		}
		from := int(at % groupSize)
		if from+1<<level > len(group) {
			return h, fmt.Errorf("the leaves of node %d of level %d are not all here", n, level)
		}
		return subtree(group[from : from+1<<level]), nil
	}
	if h, ok := t.nodes[[2]int64{int64(level), n}]; ok {
		return h, nil
	}
	var raw []byte
	err = t.tx.QueryRow(t.ctx, "SELECT hash FROM archive.nodes WHERE journal = $1 AND level = $2 AND n = $3", t.lives[0].journal, level, n).Scan(&raw)
	if err != nil {
		return h, fmt.Errorf("node %d of level %d of a tree: %w", n, level, err)
	}
	copy(h[:], raw)
	t.nodes[[2]int64{int64(level), n}] = h
	return h, nil
}

// subtree hashes 1, 2, 4 … leaves (RFC 6962 section 2.1).
func subtree(leaves []tlog.Hash) tlog.Hash {
	if len(leaves) == 1 {
		return leaves[0]
	}
	half := len(leaves) / 2
	return tlog.NodeHash(subtree(leaves[:half]), subtree(leaves[half:]))
}

// group gives the leaves of one group, as many as are here without a gap.
func (t *tree) group(g int64) ([]tlog.Hash, error) {
	if leaves, ok := t.groups[g]; ok {
		return leaves, nil
	}
	from := g<<groupLevel + 1 // sequences begin with 1
	found, err := t.leaves(from, groupSize)
	if err != nil {
		return nil, err
	}
	leaves := make([]tlog.Hash, len(found))
	for i, l := range found {
		leaves[i] = l.hash
	}
	t.groups[g] = leaves
	return leaves, nil
}

// leaf is one entry of a tree. turning is there where an entry says something about the journal itself: another key, another life.
type leaf struct {
	hash    tlog.Hash
	turning *turning
}

// turning is an entry by which a journal goes on under another key.
type turning struct {
	id   string
	kind record.Kind
	raw  []byte
}

// leaves reads from a sequence on, most of them at once, until one is missing. The lives of a journal are read one after the other.
func (t *tree) leaves(from int64, most int) (list []leaf, err error) {
	for most > 0 {
		life, last := t.lifeAt(from)
		size := int64(most)
		if last > 0 {
			size = min(size, last-from+1)
		}
		part, err := t.ofLife(life, from, size)
		if err != nil {
			return nil, err
		}
		list = append(list, part...)
		if int64(len(part)) < size {
			return list, nil
		}
		from, most = from+size, most-int(size)
	}
	return list, nil
}

// lifeAt says to which life an entry belongs, and which is the last that does; 0: no later life.
func (t *tree) lifeAt(seq int64) (journal, last int64) {
	for i, l := range t.lives {
		if seq >= l.first {
			if i > 0 {
				last = t.lives[i-1].first - 1
			}
			return l.journal, last
		}
	}
	// The life before is not known: nothing is here.
	return 0, t.lives[len(t.lives)-1].first - 1
}

func (t *tree) ofLife(journal, from, most int64) (list []leaf, err error) {
	rows, err := t.tx.Query(t.ctx, `SELECT seq, leaf, id, kind, CASE WHEN kind = $4 THEN entry END FROM archive.entries
		WHERE journal = $1 AND seq >= $2 AND seq < $2 + $3::bigint ORDER BY seq`, journal, from, most, string(record.KindKeyRotated))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for next := from; rows.Next(); next++ {
		var seq int64
		var hash, raw []byte
		var id, kind string
		if err := rows.Scan(&seq, &hash, &id, &kind, &raw); err != nil {
			return nil, err
		}
		if seq != next {
			break
		}
		var l leaf
		copy(l.hash[:], hash)
		if raw != nil {
			l.turning = &turning{id, record.Kind(kind), raw}
		}
		list = append(list, l)
	}
	return list, rows.Err()
}

// extend hashes what follows the entries that are held, as far as there is no gap, and gives how many are held then, and the entries on
// the way that say something about the journal.
func (t *tree) extend(held int64) (now int64, turnings []turning, more bool, err error) {
	fresh, err := t.leaves(held+1, mostLeaves)
	if err != nil {
		return held, nil, false, err
	}
	now = held + int64(len(fresh))
	for _, l := range fresh {
		if l.turning != nil {
			turnings = append(turnings, *l.turning)
		}
	}
	t.groups = map[int64][]tlog.Hash{} // those at the end have grown
	for g := held >> groupLevel; g < now>>groupLevel; g++ {
		if err := t.complete(g, fresh, held); err != nil {
			return held, nil, false, err
		}
	}
	return now, turnings, len(fresh) == mostLeaves, nil
}

// complete keeps the hashes of a group that is whole, and of the subtrees that it ends.
func (t *tree) complete(g int64, fresh []leaf, held int64) error {
	var leaves []tlog.Hash
	if from := g<<groupLevel - held; from >= 0 {
		for _, l := range fresh[from : from+groupSize] {
			leaves = append(leaves, l.hash)
		}
	} else {
		var err error
		if leaves, err = t.group(g); err != nil {
			return err
		}
	}
	hash := subtree(leaves)
	for level, n := groupLevel, g; ; level, n = level+1, n>>1 {
		_, err := t.tx.Exec(t.ctx, "INSERT INTO archive.nodes (journal, level, n, hash) VALUES ($1, $2, $3, $4)", t.lives[0].journal, level, n, hash[:])
		if err != nil {
			return err
		}
		t.nodes[[2]int64{int64(level), n}] = hash
		if n%2 == 0 {
			return nil
		}
		left, err := t.node(level, n-1)
		if err != nil {
			return err
		}
		hash = tlog.NodeHash(left, hash)
	}
}

// adopt has a journal go on from the life before it: its whole subtrees are those of that one, as far as they reach.
func (t *tree) adopt() error {
	if len(t.lives) < 2 {
		return nil
	}
	_, err := t.tx.Exec(t.ctx, `INSERT INTO archive.nodes (journal, level, n, hash)
		SELECT $1, level, n, hash FROM archive.nodes WHERE journal = $2 AND (n + 1) << level <= $3::bigint ON CONFLICT DO NOTHING`,
		t.lives[0].journal, t.lives[1].journal, t.lives[0].first-1)
	return err
}

// beginning reads the entry by which a life says from which it goes on.
func beginning(raw []byte) (r record.Restored, err error) {
	if err := json.Unmarshal(raw, &r); err != nil {
		return r, fmt.Errorf("the entry that begins the life of a journal cannot be read: %w", err)
	}
	if record.CheckName(r.Predecessor.Incarnation) != nil {
		return r, fmt.Errorf("the entry that begins the life of a journal does not name the one before")
	}
	return r, nil
}
