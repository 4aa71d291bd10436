package gs1

import (
	"fmt"
	"strings"
)

// Parse reads what a scanner sent of a code that carries element strings, without the symbology identifier. One separator at the
// very beginning or end, which some scanners send, says nothing.
//
// Without trusted a last value that is not of fixed length is refused where no separator came at all and it could be read as a shorter
// value with more elements behind it: the scanner may have left the separators out. trusted is for a scanner that is known to send
// them. The error is a *Fault.
func Parse(data string, trusted bool) ([]Element, error) {
	if len(data) > MaxLength {
		return nil, &Fault{At: MaxLength + 1, Why: fmt.Sprintf("the code goes on: at most %d characters are read", MaxLength)}
	}
	r := reader{data: data}
	if len(data) > 1 && data[0] == Separator {
		r.at = 1
	}
	for first := true; first || r.at < len(data); first = false {
		if err := r.element(); err != nil {
			return nil, err
		}
	}
	if strings.IndexByte(data[:max(len(data)-1, 0)], Separator) < 0 && !trusted {
		if err := r.doubt(); err != nil {
			return nil, err
		}
	}
	return unique(r.list, r.starts)
}

// reader goes over an element string once.
type reader struct {
	data   string
	at     int
	list   []Element
	starts []int // where each AI stands
}

// ai finds the AI at a place, or why there is none.
func ai(data string, at int) (string, *Fault) {
	rest := data[at:]
	if len(rest) < 2 || !digits(rest[:2]) {
		return "", &Fault{At: at + 1, Why: "an application identifier of two to four digits should stand"}
	}
	n := longest[rest[:2]]
	if n == 0 || len(rest) < n || !Known(rest[:n]) {
		return "", &Fault{At: at + 1, Why: fmt.Sprintf("%q is no application identifier that is known here", rest[:min(len(rest), max(n, 2))])}
	}
	return rest[:n], nil
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// element takes one AI with its value, and the separator behind it.
func (r *reader) element() error {
	id, fault := ai(r.data, r.at)
	if fault != nil {
		return fault
	}
	start := r.at
	begin := start + len(id)
	end := len(r.data)
	if i := strings.IndexByte(r.data[begin:], Separator); i >= 0 {
		end = begin + i
	}
	f := table[id]
	if _, most := f.lengths(); f.fixed {
		end = min(end, begin+most)
	}
	if why, at := f.fault(r.data[begin:end]); why != "" {
		return &Fault{AI: id, At: begin + at + 1, Why: why}
	}
	r.list, r.starts = append(r.list, Element{id, r.data[begin:end]}), append(r.starts, start)
	if r.at = end; r.at < len(r.data) && r.data[r.at] == Separator {
		if r.at++; r.at < len(r.data) && r.data[r.at] == Separator {
			return &Fault{At: r.at + 1, Why: "a second separator follows the first"}
		}
	}
	return nil
}

// doubt says whether the last value could also be read as a shorter one with more elements behind it.
func (r *reader) doubt() error {
	last := r.list[len(r.list)-1]
	f := table[last.AI]
	if f.fixed {
		return nil
	}
	least, most := f.lengths()
	if least == most {
		return nil // its end is known
	}
	value := last.Value
	sequence := sequences(value)
	for i := max(least, 1); i < len(value); i++ {
		if why, _ := f.fault(value[:i]); why == "" && sequence[i] {
			next, _ := ai(value, i)
			return &Fault{AI: last.AI, At: r.starts[len(r.starts)-1] + len(last.AI) + 1, Why: fmt.Sprintf(
				"is %q, or %q with AI (%s) behind it: no separator (0x1D) came, so nobody can tell. Set the scanner to send it", value, value[:i], next)}
		}
	}
	return nil
}

// sequences says of each place of a text whether all from there on could be elements.
func sequences(text string) []bool {
	ok := make([]bool, len(text)+1)
	ok[len(text)] = true
	for i := len(text) - 1; i >= 0; i-- {
		id, fault := ai(text, i)
		if fault != nil {
			continue
		}
		f, begin := table[id], i+len(id)
		least, most := f.lengths()
		for n := max(least, 1); n <= most && begin+n <= len(text) && !ok[i]; n++ {
			if ok[begin+n] {
				why, _ := f.fault(text[begin : begin+n])
				ok[i] = why == ""
			}
		}
	}
	return ok
}

// unique leaves out what is there twice, and refuses two values for one AI.
func unique(list []Element, starts []int) ([]Element, error) {
	seen := map[string]string{}
	var out []Element
	for i, e := range list {
		before, twice := seen[e.AI]
		if twice && before != e.Value {
			return nil, &Fault{AI: e.AI, At: starts[i] + 1, Why: fmt.Sprintf("is there twice, as %q and as %q: which one is meant cannot be known", before, e.Value)}
		}
		if !twice {
			out = append(out, e)
		}
		seen[e.AI] = e.Value
	}
	return out, nil
}

// ParseBracketed reads the form for people, each AI in brackets: (01)09506000134352(10)ABC123. Spaces between elements say nothing. A
// bracket can be part of a value: an AI that is known, in brackets, begins the next element. The error is a *Fault.
func ParseBracketed(text string) ([]Element, error) {
	if len(text) > MaxLength {
		return nil, &Fault{At: MaxLength + 1, Why: fmt.Sprintf("the text goes on: at most %d characters are read", MaxLength)}
	}
	var list []Element
	var starts []int
	for at := 0; ; {
		at += len(text[at:]) - len(strings.TrimLeft(text[at:], " "))
		if at == len(text) && len(list) > 0 {
			return unique(list, starts)
		}
		id := bracketed(text[at:])
		if id == "" {
			return nil, &Fault{At: at + 1, Why: "a known application identifier in brackets should stand, such as (10)"}
		}
		begin := at + len(id) + 2
		end := begin
		for end < len(text) && bracketed(text[end:]) == "" {
			end++
		}
		value := strings.TrimRight(text[begin:end], " ")
		if why, i := table[id].fault(value); why != "" {
			return nil, &Fault{AI: id, At: begin + i + 1, Why: why}
		}
		list, starts, at = append(list, Element{id, value}), append(starts, at), end
	}
}

// bracketed gives the AI in brackets that a text begins with, or "".
func bracketed(text string) string {
	end := strings.IndexByte(text, ')')
	if end < 3 || end > 5 || text[0] != '(' || !Known(text[1:end]) {
		return ""
	}
	return text[1:end]
}

// Write gives the element string: the inverse of Parse. Separators stand where they have to and nowhere else.
func Write(list []Element) string {
	var b strings.Builder
	for i, e := range list {
		b.WriteString(e.AI + e.Value)
		if i < len(list)-1 && !table[e.AI].fixed {
			b.WriteByte(Separator)
		}
	}
	return b.String()
}

// Bracketed gives the form for people: the inverse of ParseBracketed, where no value holds an AI in brackets.
func Bracketed(list []Element) string {
	var b strings.Builder
	for _, e := range list {
		b.WriteString("(" + e.AI + ")" + e.Value)
	}
	return b.String()
}
