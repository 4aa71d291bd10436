package fleet

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// held is what the stream holds of one gateway.
type held struct {
	leaves      []tlog.Hash // by sequence of the journal
	again       int         // messages of an entry that was there already
	early       int         // entries that came before one of a lower sequence
	checkpoints int
	last        []byte
}

// readStream reads all of the stream as any other program would, site by site, and gives how many messages it holds.
func readStream(t testing.TB, url, stream string) (map[string]*held, int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Minute)
	defer cancel()
	conn, err := natsgo.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(ctx, stream)
	if err != nil {
		t.Fatal(err)
	}
	reader, err := s.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{})
	if err != nil {
		t.Fatal(err)
	}
	sites, all := map[string]*held{}, int(s.CachedInfo().State.Msgs)
	for n := 0; n < all; {
		batch, err := reader.Fetch(min(all-n, 500))
		if err != nil {
			t.Fatalf("after %d of %d messages: %v", n, all, err)
		}
		for m := range batch.Messages() {
			if err := take(sites, m); err != nil {
				t.Fatalf("message %d: %v", n+1, err)
			}
			n++
		}
		if err := batch.Error(); err != nil && !errors.Is(err, natsgo.ErrTimeout) {
			t.Fatalf("after %d of %d messages: %v", n, all, err)
		}
	}
	return sites, all
}

// take adds one message to what is held of its site.
func take(sites map[string]*held, m jetstream.Msg) error {
	words := strings.Split(m.Subject(), ".")
	h := sites[words[1]]
	if h == nil {
		h = new(held)
		sites[words[1]] = h
	}
	if len(words) == 3 && words[2] == "checkpoint" {
		h.checkpoints++
		h.last = m.Data()
		return nil
	}
	var head record.Head
	if err := json.Unmarshal(m.Data(), &head); err != nil {
		return err
	}
	leaf := tlog.RecordHash(m.Data())
	if head.ID != m.Headers().Get(jetstream.MsgIDHeader) || head.Site != words[1] {
		return fmt.Errorf("%s of %s came as %s below %s", head.ID, head.Site, m.Headers().Get(jetstream.MsgIDHeader), m.Subject())
	}
	switch next := uint64(len(h.leaves)) + 1; {
	case head.Seq > next:
		h.early++
		return fmt.Errorf("%s has sequence %d, and the one before it was %d", head.ID, head.Seq, next-1)
	case head.Seq == next:
		h.leaves = append(h.leaves, leaf)
	case h.leaves[head.Seq-1] != leaf:
		return fmt.Errorf("%s came twice, with other bytes", head.ID)
	default:
		h.again++
	}
	return nil
}

// root is the tree hash of RFC 6962, section 2.1, written down as it stands there: another way than the one by which the gateways made it.
func root(leaves []tlog.Hash) tlog.Hash {
	switch len(leaves) {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return leaves[0]
	}
	k := 1
	for k*2 < len(leaves) {
		k *= 2
	}
	left, right := root(leaves[:k]), root(leaves[k:])
	return sha256.Sum256(append(append([]byte{1}, left[:]...), right[:]...))
}

// hold compares what the stream holds with what the gateways recorded: entry by entry by their trees, each against its own signed
// checkpoint. It gives how many entries came more than once.
func hold(t testing.TB, members []*member, sites map[string]*held) (entries, again, checkpoints int) {
	t.Helper()
	if len(sites) != len(members) {
		t.Errorf("%d sites are in the stream, of %d", len(sites), len(members))
	}
	for _, m := range members {
		h := sites[m.site]
		if h == nil {
			t.Errorf("%s: nothing arrived", m.site)
			continue
		}
		if len(h.leaves) != len(m.entries) {
			t.Errorf("%s: %d entries arrived, of %d", m.site, len(h.leaves), len(m.entries))
			continue
		}
		key, err := proof.ParseKey(m.public)
		if err != nil {
			t.Fatal(err)
		}
		c, err := proof.Open(h.last, key)
		if err != nil {
			t.Errorf("%s: its last checkpoint: %v", m.site, err)
			continue
		}
		if c.Size != uint64(len(h.leaves)) || c.Root != root(h.leaves) {
			t.Errorf("%s: %d entries arrived with root %s, and its last checkpoint says %d with %s", m.site, len(h.leaves), root(h.leaves), c.Size, c.Root)
		}
		entries, again, checkpoints = entries+len(h.leaves), again+h.again, checkpoints+h.checkpoints
	}
	return entries, again, checkpoints
}
