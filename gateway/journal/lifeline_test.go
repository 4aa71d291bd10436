package journal

import (
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

func lifeEntry(seq uint64, incarnation, balance string, n uint64) []byte {
	kind := "start"
	about := ""
	if balance != "" {
		kind, about = "weighing", fmt.Sprintf(`,"balance":{"id":%q}`, balance)
	} else {
		n = seq
	}
	return fmt.Appendf(nil, `{"schema":"weighpost.%s/1","id":%q,"seq":%d,"site":"north-lab"%s}`, kind,
		record.EntryID("north-lab", incarnation, balance, n), seq, about)
}

func beginning(seq uint64, before, incarnation string) []byte {
	return fmt.Appendf(nil, `{"schema":"weighpost.restored/1","id":%q,"seq":%d,"site":"north-lab","cause":"restored","incarnation":%q,`+
		`"origin":"weighpost/north-lab/%s","predecessor":{"incarnation":%q,"origin":"weighpost/north-lab/%s","entries":%d}}`,
		record.EntryID("north-lab", incarnation, "", seq), seq, incarnation, incarnation, before, before, seq-1)
}

func TestAnIncarnationBeginsOnlyWithTheEntryThatSaysSo(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, fault string
		entries     [][]byte
	}{
		{"two lives, numbers from 1", "", [][]byte{lifeEntry(1, "aaaaa", "b-12", 1), beginning(2, "aaaaa", "bbbbb"), lifeEntry(3, "bbbbb", "b-12", 1)}},
		{"unsaid", "only an entry that says so", [][]byte{lifeEntry(1, "aaaaa", "", 0), lifeEntry(2, "bbbbb", "", 0)}},
		{"of another predecessor", "follows incarnation ccccc", [][]byte{lifeEntry(1, "aaaaa", "", 0), beginning(2, "ccccc", "bbbbb")}},
		{"an old one comes back", "for the second time", [][]byte{lifeEntry(1, "aaaaa", "", 0), beginning(2, "aaaaa", "bbbbb"), beginning(3, "bbbbb", "aaaaa")}},
		{"the same again", "for the second time", [][]byte{lifeEntry(1, "aaaaa", "", 0), beginning(2, "aaaaa", "aaaaa")}},
		{"the old one goes on", "only an entry that says so", [][]byte{lifeEntry(1, "aaaaa", "", 0), beginning(2, "aaaaa", "bbbbb"), lifeEntry(3, "aaaaa", "", 0)}},
		{"numbers go on", "number 2 of balance b-12 follows 0", [][]byte{lifeEntry(1, "aaaaa", "b-12", 1), beginning(2, "aaaaa", "bbbbb"), lifeEntry(3, "bbbbb", "b-12", 2)}},
		{"unnamed", "does not name both", [][]byte{lifeEntry(1, "aaaaa", "", 0), beginning(2, "aaaaa", "")}},
	} {
		t.Run(c.name, func(t *testing.T) {
			ids, got := newIdentities(), ""
			ids.full = true
			for i, raw := range c.entries {
				if _, what := ids.check(uint64(i+1), raw); what != "" {
					got = what
				}
			}
			if c.fault == "" && got != "" || !strings.Contains(got, c.fault) {
				t.Errorf("found %q, want %q", got, c.fault)
			}
		})
	}
}
