package index

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"strconv"
)

// Sorts are the orders in which entries are listed: by sequence or by time, upwards or, with a minus, downwards. Entries
// without a time come before all others.
var Sorts = []string{"seq", "-seq", "time", "-time"}

// Page says which part of a list is wanted.
type Page struct {
	ByTime, Down bool
	Limit        int    // how many entries at most; 1 or more
	Cursor       string // where the page before ended, as it said; "": from the beginning
	Count        bool   // how many entries there are in all
	// Asked is what cursors belong to where the filter is not that: one that another page would have otherwise; "": the filter.
	Asked string
}

// MaxLimit is how many entries one page has at most.
const MaxLimit = 1000

// PageNames are the parameters of a page, beside those of a filter.
var PageNames = []string{"sort", "limit", "cursor", "count"}

// ParsePage reads sort, limit (1 to 1,000; 100 if absent), cursor and count (true or false) of a request. It looks at no
// other name. The error is a sentence.
func ParsePage(v url.Values) (Page, error) {
	p := Page{Limit: 100}
	for _, name := range PageNames {
		if len(v[name]) > 1 {
			return p, fmt.Errorf("%s is given %d times: give it once", name, len(v[name]))
		}
	}
	if err := p.SetSort(v.Get("sort")); err != nil {
		return p, err
	}
	if s := v.Get("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > MaxLimit {
			return p, fmt.Errorf("limit is %.40q: write a number from 1 to %d", s, MaxLimit)
		}
		p.Limit = n
	}
	switch s := v.Get("count"); s {
	case "", "false":
	case "true":
		p.Count = true
	default:
		return p, fmt.Errorf("count is %.40q: write true or false", s)
	}
	p.Cursor = v.Get("cursor")
	return p, nil
}

// SetSort takes one of Sorts; "" is seq.
func (p *Page) SetSort(sort string) error {
	switch sort {
	case "", "seq", "-seq", "time", "-time":
		p.Down = sort != "" && sort[0] == '-'
		p.ByTime = sort == "time" || sort == "-time"
		return nil
	}
	return fmt.Errorf("sort is %.40q: write seq, -seq (newest first), time or -time", sort)
}

// A cursor is the place that a page ended at, behind a mark of the filter and the order that it belongs to. It names no
// row of the index, so that it holds when entries are added and when the index is made anew.
const (
	cursorVersion = 1
	cursorMark    = 8
	cursorLength  = 1 + cursorMark + 8 + 8
)

// ErrCursor says that a cursor cannot be gone on from.
var ErrCursor = errors.New("the cursor belongs to another list, or is none: begin the list anew, without it")

func (p *Page) mark(f *Filter) []byte {
	sum := sha256.Sum256(fmt.Appendf(nil, "%v %v %s", p.ByTime, p.Down, cmp.Or(p.Asked, f.String())))
	return sum[:cursorMark]
}

func (p *Page) write(f *Filter, at place) string {
	b := append([]byte{cursorVersion}, p.mark(f)...)
	b = binary.BigEndian.AppendUint64(b, uint64(at.micros))
	b = binary.BigEndian.AppendUint64(b, at.seq)
	return base64.RawURLEncoding.EncodeToString(b)
}

// read gives the place that the page begins after, or nil.
func (p *Page) read(f *Filter) (*place, error) {
	if p.Cursor == "" {
		return nil, nil
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(p.Cursor)
	if err != nil || len(b) != cursorLength || b[0] != cursorVersion || string(b[1:1+cursorMark]) != string(p.mark(f)) {
		return nil, ErrCursor
	}
	b = b[1+cursorMark:]
	at := place{int64(binary.BigEndian.Uint64(b)), binary.BigEndian.Uint64(b[8:])}
	if at.seq > 1<<63-1 || at.seq == 0 {
		return nil, ErrCursor
	}
	return &at, nil
}
