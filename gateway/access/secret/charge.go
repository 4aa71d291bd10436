package secret

import "time"

// find gives what is counted of an account, or nil.
func (t *Throttle) find(key digest) *account {
	if a, ok := t.accounts[key]; ok {
		return a
	}
	a, _ := t.names.find(key)
	return a
}

// account gives what is counted of an account, from now on. Once there is an account of a name, its count is kept for good.
func (t *Throttle) account(key digest, known bool) *account {
	a := t.find(key)
	switch {
	case a == nil:
		a = &account{known: known}
		t.keep(key, a)
	case known && !a.known:
		t.names.drop(key)
		a.known = true
		t.keep(key, a)
	}
	return a
}

func (t *Throttle) keep(key digest, a *account) {
	if a.known {
		t.accounts[key] = a
	} else {
		t.names.put(key, a)
	}
}

// charge counts an attempt as failed and has that in the file before it returns. The file is written some failures ahead, but
// not over the one that locks: that one is written with its lock, before it is looked at. Names that nobody has are written
// like others, so that nobody learns from the time that it takes which accounts there are.
func (t *Throttle) charge(y *Try, r rule, now time.Time) error {
	a := y.account
	n := a.failed + a.pending + 1
	if r.after > 0 && n > a.wrote.charge {
		m := mark{key: y.key, known: a.known, charge: n}
		if r.locks(n) {
			m.until = r.until(n, now)
		} else {
			m.charge = min(n+ahead-1, r.next(a.failed)-1)
		}
		if err := t.write(m, true); err != nil {
			return err
		}
		a.wrote = m
	}
	a.pending++
	return nil
}

// lessen writes that an account counts fewer failures than the file says. That need not be durable, nor succeed: what is lost
// of it is to nobody's advantage but ours.
func (t *Throttle) lessen(key digest, a *account, to int) {
	if m := (mark{key: key, known: a.known, charge: to}); t.write(m, false) == nil {
		a.wrote = m
	}
}

// write adds a mark to the file, which is written anew where most of it no longer counts.
func (t *Throttle) write(m mark, durable bool) error {
	if t.file.lines > 4*(len(t.accounts)+len(t.names.at))+1000 {
		if err := t.file.rewrite(t.marks(false)); err != nil {
			return err
		}
	}
	return t.file.add(m, durable)
}

// marks gives a mark for everything that counts. Exact: as it is, and not as it was written ahead.
func (t *Throttle) marks(exact bool) []mark {
	var all []mark
	add := func(key digest, a *account) {
		m := a.wrote
		if exact && a.pending == 0 {
			m.charge, m.until = a.failed, a.until
		}
		m.key, m.known = key, a.known
		if m.charge > 0 || m.until != 0 {
			all = append(all, m)
		}
	}
	t.names.all(add)
	for key, a := range t.accounts {
		add(key, a)
	}
	return all
}
