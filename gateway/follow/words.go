package follow

import "cmp"

// Words is how a view calls what it knows, in what it says to people and to the log.
type Words struct {
	What  string // "the fitness of balances": it cannot be read, it is still being read
	Of    string // what is known of it, or written down of it; "": as What
	Many  bool   // Of is the name of many: they are read
	Tells string // what an entry tells of; "": as Of
	Busy  string // why somebody has to wait for another who acts; "": somebody else is changing the same
}

func (w Words) of() string   { return cmp.Or(w.Of, w.What) }
func (w Words) busy() string { return cmp.Or(w.Busy, "somebody else is changing the same") }

func (w Words) unread() string { return w.What + " cannot be read from the journal" }
func (w Words) unclear() string {
	return "an entry that tells of " + cmp.Or(w.Tells, w.of()) + " cannot be read"
}

func (w Words) useless() string {
	they := "it is"
	if w.Many {
		they = "they are"
	}
	return "what was written down of " + w.of() + " is of no use, so " + they + " read from the journal"
}

func (w Words) unwritten() string {
	return "what is known of " + w.of() + " could not be written down: the next start reads the journal instead"
}
