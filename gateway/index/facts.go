package index

import (
	"bytes"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// What a fact of an entry is. The bytes stand in index.db before each term, so they are never reused.
const (
	isKind    = 'k'
	isBalance = 'b'
	isPerson  = 'p'
	isSample  = 's'
	isLot     = 'l'
	isMethod  = 'm'
	isRun     = 'r'
	isWord    = 'w'
	isClock   = 'c' // its state in the stamp
)

// items gives what an item of a context is, by its name.
var items = map[string]byte{
	record.ItemPerson: isPerson, record.ItemSample: isSample, record.ItemMethod: isMethod, record.ItemRun: isRun, record.ItemLot: isLot,
}

// contexts are the members that hold a context; actors those that say who did something.
var (
	contexts = []string{"context", "before", "after"}
	actors   = []string{"by", "confirmed_by", "actor"}
)

// carried are members of an entry that are not to be read: bytes in base64, what a balance sent, what was sent to it, what
// proves something; and the schema.
var carried = []string{"frame", "raw", "send", "answer", "token", "note", "checkpoint", "schema", "sample"}

// longestBare is how long a text without a space may be before it is taken for bytes and not for something to read.
const longestBare = 512

// noTime is the time of an entry that gives none.
const noTime = int64(-1 << 63)

// facts reads an entry once: its time in microseconds since 1970 and, through each, what it says of itself, words among
// it. value may not be kept. The same fact may come more than once.
func facts(e record.Entry, each func(what byte, value []byte)) (micros int64) {
	return factsBy(e, each, func(text []byte) {
		eachWord(text, func(word []byte, _ byte) { each(isWord, word) })
	})
}

// factsBy is facts for who takes the words out of a text in another way.
func factsBy(e record.Entry, each func(what byte, value []byte), words func(text []byte)) (micros int64) {
	r := reader{each: each, words: words, micros: noTime}
	each(isKind, []byte(e.Kind))
	if e.Balance != "" {
		each(isBalance, []byte(e.Balance))
	}
	// An entry that is no JSON has no facts beyond what was read: the journal refuses it, here it is only not found.
	_ = record.EachText(e.JSON, r.text)
	return r.micros
}

type reader struct {
	each    func(what byte, value []byte)
	words   func(text []byte)
	micros  int64
	stamped bool
}

func (r *reader) text(path [][]byte, text []byte) {
	if len(path) == 0 || len(text) == 0 {
		return
	}
	name := string(path[len(path)-1])
	if len(path) == 1 && isOne(name, carried) || name == "checkpoint" && !isOne(string(path[0]), contexts) {
		return
	}
	if name == "utc" {
		r.stamp(path, text)
		return
	}
	if what := item(path); what != 0 {
		r.each(what, text)
	}
	if name == "clock" && isStamp(path) {
		r.each(isClock, text)
	}
	if len(text) > longestBare && bytes.IndexByte(text, ' ') < 0 {
		return
	}
	r.words(text)
}

// item says which item of a context, or which person, the text at a path is, or 0.
func item(path [][]byte) byte {
	name := string(path[len(path)-1])
	switch len(path) {
	case 2: // by.id; by.name where the id is the system's user
		if isOne(string(path[0]), actors) && (name == "id" || name == "name") {
			return isPerson
		}
	case 3: // context.person.id
		if isOne(string(path[0]), contexts) && name == "id" {
			return items[string(path[1])]
		}
	}
	return 0
}

func isOne(name string, of []string) bool {
	for _, o := range of {
		if name == o {
			return true
		}
	}
	return false
}

// isStamp says whether a path leads into the stamp of an entry or, where it has none, that of the end of its span.
func isStamp(path [][]byte) bool {
	return len(path) == 2 && (string(path[0]) == "stamp" || string(path[0]) == "to")
}

// stamp takes the time of the entry: that of its stamp or, where it has none, of the end of the span that it tells of.
func (r *reader) stamp(path [][]byte, text []byte) {
	if !isStamp(path) || r.stamped {
		return
	}
	stamp := string(path[0]) == "stamp"
	t, err := time.Parse(time.RFC3339Nano, string(text))
	if err != nil {
		return
	}
	r.micros, r.stamped = t.UnixMicro(), stamp
}

// Facts are what a list shows of an entry beside its text.
type Facts struct {
	Time                                  time.Time // zero where the entry gives none
	Persons, Samples, Lots, Methods, Runs []string  // each once, in the order of the entry
}

// FactsOf reads an entry.
func FactsOf(e record.Entry) Facts {
	var f Facts
	micros := facts(e, func(what byte, value []byte) {
		var list *[]string
		switch what {
		case isPerson:
			list = &f.Persons
		case isSample:
			list = &f.Samples
		case isLot:
			list = &f.Lots
		case isMethod:
			list = &f.Methods
		case isRun:
			list = &f.Runs
		default:
			return
		}
		if !isOne(string(value), *list) {
			*list = append(*list, string(value))
		}
	})
	if micros != noTime {
		f.Time = time.UnixMicro(micros).UTC()
	}
	return f
}

// Person names whom the entry is about, or who did what it tells of; "" where nobody is known.
func (f Facts) Person() string { return strings.Join(f.Persons, ", ") }
