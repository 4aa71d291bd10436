package fleet

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/deliver"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// balances is how many each gateway has.
const balances = 10

// member is one gateway's journal in memory: what package deliver needs of one. Entries get their identities and bytes, and the tree its
// hashes, as in gateway/journal.
type member struct {
	site   string
	signer note.Signer
	public string // NAME+HASH+BASE64

	mu      sync.Mutex
	entries []record.Entry
	shown   int  // of the entries: nobody has heard of the others yet
	holding bool // entries are not shown
	numbers map[string]uint64
	hashes  hashes
	moved   chan struct{}
	cursor  uint64
	settled chan struct{} // closed when the cursor is at the head; nil where nobody waits
	told    int           // checkpoints that the stream has
}

const incarnation = "7qx3m"

// newMember makes the journal of site n of the seed bank.
func newMember(n int) (*member, error) {
	site := fmt.Sprintf("seed-store-%04d", n)
	secret, public, err := note.GenerateKey(rand.Reader, "weighpost/"+site+"/"+incarnation)
	if err != nil {
		return nil, err
	}
	signer, err := note.NewSigner(secret)
	return &member{site: site, signer: signer, public: public, numbers: map[string]uint64{}, moved: make(chan struct{})}, err
}

// hashes are those of a tree as tlog stores them.
type hashes []tlog.Hash

func (h hashes) ReadHashes(at []int64) ([]tlog.Hash, error) {
	list := make([]tlog.Hash, len(at))
	for i, n := range at {
		list[i] = h[n]
	}
	return list, nil
}

// weigh has one of the balances print.
func (m *member) weigh(balance int, at time.Time) error {
	_, err := m.Append(context.Background(), m.weighing(balance, at))
	return err
}

// weighing is one as a balance of a seed bank in daily use makes it: somebody is signed in, the lot was scanned.
func (m *member) weighing(balance int, at time.Time) *record.Weighing {
	n := at.UnixMicro()
	bound, since := record.Span(21*time.Millisecond), record.UTC(at.Add(-time.Minute))
	return &record.Weighing{
		Balance: record.Balance{ID: fmt.Sprintf("b-%02d", balance), Serial: "SN-4417-0093", Place: "cold store 2, bench 4", Capacity: "220 g",
			Readability: "0.0001 g", Identity: "confirmed"},
		Value: record.Value{Digits: fmt.Sprintf("%d.%04d", n%200, n%10000), Unit: "g", PrintedUnit: "g", Kind: "net",
			Stability: "stable", Range: "in"},
		Frame:   fmt.Appendf(nil, "lot %10d.%04d g \r\n", n%200, n%10000),
		Layout:  "sha256:" + strings.Repeat("9f86d081", 8),
		Trigger: "printed", Port: "/dev/serial/by-id/usb-serial-if00-port0",
		Stamp: record.Stamp{UTC: record.UTC(at), Zone: "+01:00", Bound: &bound, Clock: record.ClockChecked, Sources: 3},
		Context: record.Context{Person: &record.Learnt{ID: "p-17", By: "signed-in", Since: &since},
			Sample: &record.Learnt{ID: fmt.Sprintf("lot-%06d", n%1_000_000), By: "scanned", Since: &since}},
		Verdicts: []record.Verdict{{Rule: "minimum-weight", Pass: true, Limit: "0.0820 g"}},
		Fitness:  record.Fitness{State: "in service"},
		Software: record.Software{Version: "0.0.0-test", Config: "sha256:" + strings.Repeat("2c26b46b", 8)},
	}
}

// Append is the journal's.
func (m *member) Append(_ context.Context, bodies ...record.Body) (made []record.Entry, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, b := range bodies {
		e := record.Entry{Seq: uint64(len(m.entries) + 1), Kind: b.Kind(), Balance: b.Subject()}
		e.ID = record.EntryID(m.site, incarnation, "", e.Seq)
		if e.Kind.Numbered() {
			m.numbers[e.Balance]++
			e.ID = record.EntryID(m.site, incarnation, e.Balance, m.numbers[e.Balance])
		}
		*b.Identity() = record.Head{Schema: e.Kind.Schema(), ID: e.ID, Seq: e.Seq, Site: m.site}
		if e.JSON, err = json.Marshal(b); err != nil {
			return nil, err
		}
		stored, err := tlog.StoredHashesForRecordHash(int64(e.Seq-1), tlog.RecordHash(e.JSON), m.hashes)
		if err != nil {
			return nil, err
		}
		m.hashes, m.entries, made = append(m.hashes, stored...), append(m.entries, e), append(made, e)
	}
	m.show()
	return made, nil
}

// show tells whoever waits of all entries. It is called with mu held.
func (m *member) show() {
	if m.holding || m.shown == len(m.entries) {
		return
	}
	m.shown = len(m.entries)
	close(m.moved)
	m.moved = make(chan struct{})
}

// hold keeps entries from being seen from now on, or shows them.
func (m *member) hold(holding bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.holding = holding
	m.show()
}

func (m *member) Head() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return uint64(m.shown)
}

func (m *member) Read(_ context.Context, after uint64, most int) ([]record.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	rest := m.entries[after:m.shown]
	return append([]record.Entry(nil), rest[:min(len(rest), most)]...), nil
}

func (m *member) Wait(ctx context.Context, after uint64) error {
	for {
		m.mu.Lock()
		head, moved := uint64(m.shown), m.moved
		m.mu.Unlock()
		if head > after {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (m *member) Cursor(string) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.cursor, nil
}

func (m *member) SetCursor(_ string, seq uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.cursor = seq
	if m.settled != nil && m.cursor == uint64(len(m.entries)) {
		close(m.settled)
		m.settled = nil
	}
	return nil
}

// caughtUp waits until the stream has everything that is in the journal.
func (m *member) caughtUp(ctx context.Context) error {
	m.mu.Lock()
	if m.cursor == uint64(len(m.entries)) {
		m.mu.Unlock()
		return nil
	}
	if m.settled == nil {
		m.settled = make(chan struct{})
	}
	settled := m.settled
	m.mu.Unlock()
	select {
	case <-settled:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%s still waits: %w", m.site, ctx.Err())
	}
}

// Checkpoint signs the head.
func (m *member) Checkpoint(context.Context) (uint64, []byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	size := int64(len(m.entries))
	root, err := tlog.TreeHash(size, m.hashes)
	if err != nil {
		return 0, nil, err
	}
	signed, err := proof.Checkpoint{Origin: m.signer.Name(), Size: uint64(size), Root: root}.Sign(m.signer)
	return uint64(size), signed, err
}

func (m *member) Acknowledged(string, uint64, time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.told++
	return nil
}

// What follows is for entries that were refused, held or paused. There are none here, and one would show as an error.

var errNotHere = errors.New("no entry is refused in these tests")

func (m *member) Goal(string) (string, error)               { return "", nil }
func (m *member) SetAside(string) (int, uint64, error)      { return 0, 0, nil }
func (m *member) Parked(string) ([]record.SetAside, error)  { return nil, nil }
func (m *member) Remembered(string) (string, uint64, error) { return "", 0, nil }
func (m *member) Released(_ context.Context, seqs []uint64) ([]uint64, error) {
	return make([]uint64, len(seqs)), nil
}
func (m *member) Settle(context.Context, string, uint64, string, ...record.Body) error {
	return errNotHere
}
func (m *member) Unpark(context.Context, string, []uint64, ...record.Body) error   { return errNotHere }
func (m *member) ParkAgain(context.Context, string, []uint64, record.Body) error   { return errNotHere }
func (m *member) Park(context.Context, string, record.Entry, *record.Parked) error { return errNotHere }
func (m *member) Remember(context.Context, string, string, ...record.Body) error   { return errNotHere }

var _ deliver.Log = (*member)(nil)
