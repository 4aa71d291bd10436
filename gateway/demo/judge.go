package demo

import (
	"cmp"
	"slices"
)

// printed is what a simulated balance put on its line: the truth that everything else is held against.
type printed struct {
	digits, unit string
	meant        ties // what was scanned, sent or printed for it
}

// ruling is what one receiver has to show for what the balances printed.
type ruling struct {
	delivered  int // different weighings that arrived
	duplicates int // further arrivals under an id that had come before
	lost       int // printed, and never arrived with the same digits and unit in the balance's order
	strange    int // arrived, and never printed; or one id with two contents
	person     int // arrived with another person than was meant, with one where none was, or without
	sample     int // likewise
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
		r.compare(sent, came)
		delete(byBalance, balance)
	}
	for _, came := range byBalance {
		r.strange += len(came) // from a balance that does not exist
	}
	return r
}

// compare walks both in order: each printed weighing takes the next arrival of its value, which must be tied to what was
// meant for it and to nothing else.
func (r *ruling) compare(sent []printed, came []arrival) {
	next := 0
	for _, p := range sent {
		i := slices.IndexFunc(came[next:], func(a arrival) bool { return a.Value.Digits == p.digits && a.Value.Unit == p.unit })
		if i < 0 {
			r.lost++
			continue
		}
		if came[next+i].Context.Person != p.meant.person {
			r.person++
		}
		if came[next+i].Context.Sample != p.meant.sample {
			r.sample++
		}
		r.strange += i
		next += i + 1
	}
	r.strange += len(came) - next
}
