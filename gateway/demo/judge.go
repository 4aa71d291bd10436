package demo

import (
	"cmp"
	"slices"
)

// printed is what a simulated balance put on its line: the truth that everything else is held against.
type printed struct{ digits, unit string }

// ruling is what one receiver has to show for what the balances printed.
type ruling struct {
	delivered  int // different weighings that arrived
	duplicates int // further arrivals under an id that had come before
	lost       int // printed, and never arrived with the same digits and unit in the balance's order
	strange    int // arrived, and never printed; or one id with two contents
}

// judge compares, balance by balance, what was printed with what arrived in the order of the ids' numbers.
func judge(truth map[string][]printed, arrivals []arrival) ruling {
	var r ruling
	byID := make(map[string]arrival, len(arrivals))
	for _, a := range arrivals {
		first, again := byID[a.ID]
		switch {
		case !again:
			byID[a.ID] = a
		case first == a:
			r.duplicates++
		default:
			r.strange++
		}
	}
	r.delivered = len(byID)
	byBalance := make(map[string][]arrival)
	for _, a := range byID {
		byBalance[a.Balance.ID] = append(byBalance[a.Balance.ID], a)
	}
	for balance, sent := range truth {
		came := byBalance[balance]
		slices.SortFunc(came, func(x, y arrival) int {
			return cmp.Or(cmp.Compare(len(x.ID), len(y.ID)), cmp.Compare(x.ID, y.ID))
		})
		lost, strange := compare(sent, came)
		r.lost += lost
		r.strange += strange
		delete(byBalance, balance)
	}
	for _, came := range byBalance {
		r.strange += len(came) // from a balance that does not exist
	}
	return r
}

// compare walks both in order: each printed weighing takes the next arrival that equals it.
func compare(sent []printed, came []arrival) (lost, strange int) {
	next := 0
	for _, p := range sent {
		i := slices.IndexFunc(came[next:], func(a arrival) bool { return a.Value.Digits == p.digits && a.Value.Unit == p.unit })
		if i < 0 {
			lost++
			continue
		}
		strange += i
		next += i + 1
	}
	return lost, strange + len(came) - next
}
