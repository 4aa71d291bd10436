package journal

import (
	"fmt"
	"strconv"
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

// glance is check for an entry whose bytes are known to be those that were hashed: of a weighing only the head is read, which is
// nine tenths of the time. Whoever reads one of them reads it whole.
func (x *identities) glance(seq uint64, raw []byte) (record.Entry, string) {
	if e, ok := record.GlanceWeighing(raw); ok {
		return e, x.judge(seq, e)
	}
	return x.check(seq, raw)
}

func (x *identities) judge(seq uint64, e record.Entry) string {
	if e.Seq != seq {
		return fmt.Sprintf("it says that it is entry %d", e.Seq)
	}
	part, whole := splitID(e.ID)
	if !whole {
		return fmt.Sprintf("its id %q has not the form site/incarnation/balance/number", e.ID)
	}
	if what := x.life.take(part[1], e); what != "" {
		return what
	}
	n, written := readNumber(part[3])
	if !e.Kind.Numbered() {
		if !written || n != seq || part[2] != "@" {
			return fmt.Sprintf("its id %q does not belong to this position", e.ID)
		}
		return ""
	}
	if !written || n == 0 || part[2] != e.Balance || e.Balance == "" {
		return fmt.Sprintf("its id %q is not that of a weighing of balance %q", e.ID, e.Balance)
	}
	k := [2]string{part[1], part[2]}
	before, known := x.last[k]
	x.last[k] = n
	if known && n != before+1 || !known && (x.full || x.life.begun) && n != 1 {
		return fmt.Sprintf("number %d of balance %s follows %d", n, k[1], before)
	}
	return ""
}

// splitID gives the four parts of an id.
func splitID(id string) (part [4]string, whole bool) {
	rest := id
	for i := range 3 {
		if part[i], rest, whole = strings.Cut(rest, "/"); !whole {
			return part, false
		}
	}
	part[3] = rest
	return part, strings.IndexByte(rest, '/') < 0
}

// readNumber reads the last part of an id, and only as record.EntryID writes it: six digits, or more without a zero in front.
func readNumber(s string) (n uint64, ok bool) {
	if len(s) < 6 || len(s) > 6 && s[0] == '0' {
		return 0, false
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
	}
	n, err := strconv.ParseUint(s, 10, 64)
	return n, err == nil
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
