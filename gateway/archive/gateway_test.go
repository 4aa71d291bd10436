package archive

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/nats"
)

// gateway is a gateway as an archive sees it: it has a journal in memory, signs its checkpoints, and publishes both by the real sink. It can
// also lie, which the real journal does not.
type gateway struct {
	site, incarnation string
	signer            note.Signer
	public            string
	entries           []record.Entry
	numbers           map[string]uint64
	sink              *nats.Sink
	began             time.Time
}

// newGateway makes one at a site, with a new key.
func newGateway(t testing.TB, site, incarnation string) *gateway {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, originOf(site, incarnation))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return &gateway{site: site, incarnation: incarnation, signer: signer, public: public, numbers: map[string]uint64{},
		began: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)}
}

// weighing makes the next entry: lots of seed, weighed on three balances by two people.
func (g *gateway) weighing(t testing.TB) record.Entry {
	t.Helper()
	seq := uint64(len(g.entries) + 1)
	balance := fmt.Sprintf("b-%d", seq%3+1)
	g.numbers[balance]++
	w := &record.Weighing{
		Head:    record.Head{Schema: record.KindWeighing.Schema(), ID: record.EntryID(g.site, g.incarnation, balance, g.numbers[balance]), Seq: seq, Site: g.site},
		Balance: record.Balance{ID: balance, Readability: "0.001 g"},
		Value:   record.Value{Digits: fmt.Sprintf("%d.%03d", 10+seq%90, seq%1000), Unit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Frame:   []byte(fmt.Sprintf("N %d\r\n", seq)), Trigger: "printed", Port: "sim",
		Stamp: record.Stamp{UTC: record.UTC(g.began.Add(time.Duration(seq) * time.Second)), Zone: "+01:00", Clock: record.ClockChecked},
		Context: record.Context{Person: &record.Learnt{ID: fmt.Sprintf("p-%d", seq%2)}, Sample: &record.Learnt{ID: fmt.Sprintf("LOT-%04d", seq/10)},
			Run: &record.Learnt{ID: fmt.Sprintf("run-%d", seq/100)}},
	}
	raw, err := json.Marshal(w)
	if err != nil {
		t.Fatal(err)
	}
	return g.append(t, raw)
}

func (g *gateway) append(t testing.TB, raw []byte) record.Entry {
	t.Helper()
	e, err := record.ParseEntry(raw)
	if err != nil {
		t.Fatal(err)
	}
	g.entries = append(g.entries, e)
	return e
}

func (g *gateway) weigh(t testing.TB, n int) []record.Entry {
	t.Helper()
	for range n {
		g.weighing(t)
	}
	return g.entries[len(g.entries)-n:]
}

// checkpoint signs the head over the first entries.
func (g *gateway) checkpoint(t testing.TB, size int) []byte {
	t.Helper()
	leaves := make([]tlog.Hash, size)
	for i, e := range g.entries[:size] {
		leaves[i] = tlog.RecordHash(e.JSON)
	}
	signed, err := proof.Checkpoint{Origin: originOf(g.site, g.incarnation), Size: uint64(size), Root: plainRoot(leaves)}.Sign(g.signer)
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

// plainRoot is RFC 6962 section 2.1 as it is written there: the largest power of two smaller than n on the left.
func plainRoot(leaves []tlog.Hash) tlog.Hash {
	switch len(leaves) {
	case 0:
		h, _ := tlog.TreeHash(0, nil)
		return h
	case 1:
		return leaves[0]
	}
	k := 1
	for 2*k < len(leaves) {
		k *= 2
	}
	return tlog.NodeHash(plainRoot(leaves[:k]), plainRoot(leaves[k:]))
}

// connect opens the gateway's sink.
func (g *gateway) connect(t testing.TB, urls []string, stream string, replicas int) *gateway {
	t.Helper()
	c := nats.Default()
	c.Servers, c.Stream, c.Create, c.Replicas, c.Prefix = urls, stream, true, replicas, stream
	sink, err := nats.New(*c, "archive", sinks.Env{Site: g.site})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sink.Close() })
	g.sink = sink
	return g
}

// deliver publishes entries as package deliver does: from where the sink stopped, until all are accepted.
func (g *gateway) deliver(ctx context.Context, t testing.TB, entries []record.Entry) {
	t.Helper()
	for len(entries) > 0 {
		n, err := g.sink.Deliver(ctx, entries[:min(len(entries), 100)])
		entries = entries[n:]
		if err != nil && !pause(ctx, err) {
			t.Errorf("%s: %d entries are still waiting: %v", g.site, len(entries), err)
			return
		}
	}
}

// head publishes a checkpoint.
func (g *gateway) head(ctx context.Context, t testing.TB, signed []byte) {
	t.Helper()
	for {
		err := g.sink.Checkpoint(ctx, signed)
		if err == nil {
			return
		}
		if !pause(ctx, err) {
			t.Errorf("%s: the checkpoint is still waiting: %v", g.site, err)
			return
		}
	}
}

// pause waits before the next attempt; false: the error lasts, or the time is over.
func pause(ctx context.Context, err error) bool {
	if errors.As(err, new(sinks.Refused)) || errors.As(err, new(sinks.Unusable)) {
		return false
	}
	select {
	case <-ctx.Done():
		return false
	case <-time.After(20 * time.Millisecond):
		return true
	}
}
