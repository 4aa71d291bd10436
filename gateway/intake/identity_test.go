package intake

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// TestSomebodyReadsThePlate: two balances of one make can change places without one different byte. After a lost port the
// weighings say that nobody knows, until somebody has read the plate; what stands on another balance's plate is refused, with
// all that came with it.
func TestSomebodyReadsThePlate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) { c.Serial, c.IdentityNeeded = "s-77", true }, nil)
		raised := func() bool {
			return slices.ContainsFunc(b.board.List(), func(c health.Condition) bool { return c.Code == health.IdentityUnconfirmed })
		}
		reads := func(label, sample string) error {
			r := record.ContextRequest{By: record.BySent, Where: "a test", Label: label}
			if sample != "" {
				r.Sample = &record.ContextItem{ID: sample}
			}
			_, err := b.SetContext(context.Background(), r)
			return err
		}
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			prints(h, "W 1.000 g S")
			h.Down(time.Now(), unplugged)
			if !raised() {
				t.Error("after the port was lost there is no condition")
			}
			quietly(h)
			prints(h, "W 2.000 g S")
			var refused *record.ContextRefused
			if err := reads("b-13", "LOT-1"); !errors.As(err, &refused) || !strings.Contains(refused.Why, "another balance") {
				t.Errorf("the label of another balance: %v", err)
			}
			if v := b.Context(); v.Identity != unconfirmed || len(v.Items) != 0 {
				t.Errorf("after a refused label: %+v", v)
			}
			if err := reads("s-77", "LOT-2"); err != nil {
				t.Error(err)
			}
			if v := b.Context(); v.Identity != confirmed || len(v.Items) != 1 {
				t.Errorf("after the label: %+v", v)
			}
			if raised() {
				t.Error("after the label the condition holds")
			}
			prints(h, "W 3.000 g S")
		}); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, body := range b.journal.bodies() {
			switch e := body.(type) {
			case *record.Weighing:
				verdict := "no verdict"
				for _, v := range e.Verdicts {
					if v.Rule == "identity-confirmed" {
						verdict = map[bool]string{true: "pass", false: "fail"}[v.Pass]
					}
				}
				got = append(got, e.Value.Digits+" "+e.Balance.Identity+" "+verdict)
			case *record.ContextChange:
				got = append(got, e.Cause)
			}
		}
		want := []string{"1.000 confirmed pass", "2.000 unconfirmed fail", "refused", "confirmed", "set", "3.000 confirmed pass"}
		if !slices.Equal(got[:min(len(got), len(want))], want) {
			t.Errorf("%q, want %q", got, want)
		}
	})
}
