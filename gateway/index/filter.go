package index

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Filter says which entries are wanted: those that meet everything that it names. The zero value wants all.
type Filter struct {
	From, To time.Time // stamped at or after From and before To; zero: no limit
	Kinds    []record.Kind
	// Ids, compared byte for byte. Person is whom a weighing is tied to and who did what an entry tells of.
	Balance, Person, Sample, Lot, Method, Run string
	Text                                      string // words; see the package
	Clock                                     string // state of the clock in the stamp: checked, holdover or unchecked
	After, Before                             uint64 // sequences, both excluded; 0: no limit
}

// Empty says whether the filter wants all entries.
func (f *Filter) Empty() bool {
	return f.From.IsZero() && f.To.IsZero() && len(f.Kinds) == 0 && f.Text == "" && f.After == 0 && f.Before == 0 && len(f.fields()) == 0
}

// field is an id that an entry has to carry.
type field struct {
	what        byte
	name, value string
}

// fields lists the ids that are asked for.
func (f *Filter) fields() []field {
	all := []field{{isBalance, "balance", f.Balance}, {isPerson, "person", f.Person}, {isSample, "sample", f.Sample},
		{isLot, "lot", f.Lot}, {isMethod, "method", f.Method}, {isRun, "run", f.Run},
		{isClock, "clock", f.Clock}}
	return slices.DeleteFunc(all, func(f field) bool { return f.value == "" })
}

// Match says whether an entry is wanted. It reads the entry's JSON once, and only where that is needed.
func (f *Filter) Match(e record.Entry) bool {
	if e.Seq <= f.After || f.Before > 0 && e.Seq >= f.Before || len(f.Kinds) > 0 && !slices.Contains(f.Kinds, e.Kind) {
		return false
	}
	fields, words := f.fields(), wanted(f.Text)
	if len(fields) == 0 && len(words) == 0 && f.From.IsZero() && f.To.IsZero() {
		return true
	}
	missing := len(fields) + len(words)
	hasField, hasWord := make([]bool, len(fields)), make([]bool, len(words))
	micros := facts(e, func(what byte, value []byte) {
		if what == isWord {
			for i, w := range words {
				if !hasWord[i] && w.in(value) {
					hasWord[i] = true
					missing--
				}
			}
			return
		}
		for i, want := range fields {
			if !hasField[i] && want.what == what && want.value == string(value) {
				hasField[i] = true
				missing--
			}
		}
	})
	return missing == 0 && f.inTime(micros)
}

// inTime says whether an entry of that time lies in the span that is asked for. One without a time lies in none.
func (f *Filter) inTime(micros int64) bool {
	if f.From.IsZero() && f.To.IsZero() {
		return true
	}
	from, to := f.span()
	return micros != noTime && micros >= from && micros < to
}

// span gives the bounds in microseconds since 1970, the second excluded. Stamps have whole microseconds, so that a bound
// between two of them is the same as the next one.
func (f *Filter) span() (from, to int64) {
	from, to = noTime+1, 1<<63-1
	up := func(t time.Time) int64 { return t.Add(time.Microsecond - 1).UnixMicro() }
	if !f.From.IsZero() {
		from = up(f.From)
	}
	if !f.To.IsZero() {
		to = up(f.To)
	}
	return from, to
}

// String says in words what the filter wants, as an export says of itself: "kind weighing, balance b-12, before …".
func (f *Filter) String() string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if len(f.Kinds) > 0 {
		names := make([]string, len(f.Kinds))
		for i, k := range f.Kinds {
			names[i] = string(k)
		}
		add("kind %s", strings.Join(names, " or "))
	}
	for _, want := range f.fields() {
		add("%s %q", want.name, want.value)
	}
	if f.Text != "" {
		add("text %q", f.Text)
	}
	if !f.From.IsZero() {
		add("stamped at or after %s", instant(f.From))
	}
	if !f.To.IsZero() {
		add("stamped before %s", instant(f.To))
	}
	if f.After > 0 {
		add("after entry %d", f.After)
	}
	if f.Before > 0 {
		add("before entry %d", f.Before)
	}
	if parts == nil {
		return "all entries"
	}
	return "entries with " + strings.Join(parts, ", ")
}

func instant(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// Validate says in a sentence why a filter can want nothing, or nil.
func (f *Filter) Validate() error {
	if !f.From.IsZero() && !f.To.IsZero() && !f.From.Before(f.To) {
		return fmt.Errorf("from %s is not before to %s: no entry can lie between them", instant(f.From), instant(f.To))
	}
	if f.Before > 0 && f.Before <= f.After+1 {
		return fmt.Errorf("there is no entry after %d and before %d", f.After, f.Before)
	}
	for _, want := range f.fields() {
		if len(want.value) > maxValue {
			return fmt.Errorf("%s has %d bytes: at most %d can be looked for", want.name, len(want.value), maxValue)
		}
	}
	if len(f.Text) > maxText {
		return fmt.Errorf("text has %d bytes: at most %d can be looked for", len(f.Text), maxText)
	}
	words := wanted(f.Text)
	if f.Text != "" && len(words) == 0 {
		return fmt.Errorf("text %.40q holds no word: words are letters and digits", f.Text)
	}
	for _, w := range words {
		if w.short {
			return fmt.Errorf("text asks for every word that begins with %q: give %d characters or more before *", w.word, minPrefix)
		}
	}
	if len(words) > maxWords {
		return fmt.Errorf("text holds %d words: at most %d can be looked for", len(words), maxWords)
	}
	return nil
}

// Limits of what a filter may ask for.
const (
	maxValue = 1024 // bytes of an id
	maxText  = 1024 // bytes
	maxWords = 32
)
