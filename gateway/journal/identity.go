package journal

import (
	"fmt"
	"strings"

	"weighpost/gateway/record"
)

// identities holds ids and numbers of consecutive entries against each other.
type identities struct {
	last map[[2]string]uint64 // incarnation, balance → number
	full bool                 // from the first entry on: numbers begin with 1
	life lifeline
}

func newIdentities() *identities { return &identities{last: map[[2]string]uint64{}} }

// check reads an entry and says what is wrong with its identity, or "". The entry is of use only where nothing is.
func (x *identities) check(seq uint64, raw []byte) (record.Entry, string) {
	e, err := record.ParseEntry(raw)
	if err != nil {
		return e, err.Error()
	}
	return e, x.judge(seq, e)
}

func (x *identities) judge(seq uint64, e record.Entry) string {
	if e.Seq != seq {
		return fmt.Sprintf("it says that it is entry %d", e.Seq)
	}
	part := strings.Split(e.ID, "/")
	if len(part) != 4 {
		return fmt.Sprintf("its id %q has not the form site/incarnation/balance/number", e.ID)
	}
	if what := x.life.take(part[1], e); what != "" {
		return what
	}
	if !e.Kind.Numbered() {
		if e.ID != record.EntryID(part[0], part[1], "", seq) {
			return fmt.Sprintf("its id %q does not belong to this position", e.ID)
		}
		return ""
	}
	k := [2]string{part[1], part[2]}
	before, known := x.last[k]
	var n uint64
	if _, err := fmt.Sscanf(part[3], "%d", &n); err != nil || n == 0 || part[2] != e.Balance ||
		e.ID != record.EntryID(part[0], part[1], part[2], n) {
		return fmt.Sprintf("its id %q is not that of a weighing of balance %q", e.ID, e.Balance)
	}
	x.last[k] = n
	if known && n != before+1 || !known && (x.full || x.life.begun) && n != 1 {
		return fmt.Sprintf("number %d of balance %s follows %d", n, k[1], before)
	}
	return ""
}

// checkNumbers holds the table of numbers against the entries. After a partial reading there may be balances unseen.
func (x *identities) checkNumbers(incarnation string, table map[string]uint64, partial bool) error {
	if now := x.life.now; now != "" && now != incarnation {
		return fmt.Errorf("the last entry is of incarnation %s, and journal.db says that it is %s", now, incarnation)
	}
	partial = partial && !x.life.begun
	for k, n := range x.last {
		if k[0] == incarnation && table[k[1]] != n {
			return fmt.Errorf("the table of numbers says %d for balance %s, and its last entry has %d", table[k[1]], k[1], n)
		}
	}
	for balance, n := range table {
		if _, seen := x.last[[2]string{incarnation, balance}]; !seen && !partial {
			return fmt.Errorf("the table of numbers says %d for balance %s, which has no entry", n, balance)
		}
	}
	return nil
}
