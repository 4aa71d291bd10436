package console

import (
	"context"
	"strings"
	"testing"
)

func (b *bench) ProofOf(_ context.Context, seq uint64, sign bool) (Proof, error) {
	if seq != 7 || !sign {
		return Proof{}, ErrNotCovered
	}
	return Proof{File: []byte("c2sp.org/tlog-proof@v1\n")}, nil
}

func (b *bench) FirstProofOf(ctx context.Context, seq uint64) (Proof, error) {
	return b.ProofOf(ctx, seq, true)
}

func (b *bench) DeliveriesOf(context.Context, uint64) ([]DeliveryOf, error) { return nil, nil }

// TestAProofIsAFile with a name of its own.
func TestAProofIsAFile(t *testing.T) {
	h := open(t)
	resp, text := ask(t, "GET", h.base+proofPath+"?id=north-lab/7qx3/@/000007", nil)
	if resp.StatusCode != 200 || text != "c2sp.org/tlog-proof@v1\n" ||
		resp.Header.Get("Content-Disposition") != `attachment; filename="north-lab-7qx3-entry-000007.proof"` {
		t.Errorf("%d %q %v", resp.StatusCode, text, resp.Header)
	}
	for path, want := range map[string]int{proofPath: 422, proofPath + "?id=x": 404} {
		if resp, text := ask(t, "GET", h.base+path, nil); resp.StatusCode != want || !strings.Contains(text, "title") {
			t.Errorf("%s: %d %s", path, resp.StatusCode, text)
		}
	}
}
