package index

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"hash/crc32"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Sizes of blocks, in entries, each a multiple of the one before. An index takes in blocks of the smallest size; those that
// lie side by side and fill one of the next size become one. Where much is to be taken in at once, it begins with the
// largest: a bit for each of its entries and what else is in a row fit into a quarter of a page of SQLite.
var blockSizes = []int{512, 4096, 28672}

const (
	pageFill = 3600 // bytes of terms and postings in a page before the next one begins
	maxTerm  = 200  // bytes; longer terms are replaced by their hash
)

// block is what is known of a span of entries without looking into it.
type block struct {
	first, last      uint64
	earliest, latest int64     // of the entries' times
	hash             tlog.Hash // leaf hash of the last entry: whether the journal is still the one that was read
}

func (b block) size() int { return int(b.last - b.first + 1) }

// page is a part of a block's terms, ascending, with their postings. The first page of a block begins with the empty term,
// so that there is a page for every term.
type page struct {
	from []byte
	body []byte
}

// content is a block that is ready to be stored.
type content struct {
	block
	times []int64
	pages []page
}

// builder makes a block of entries that follow each other.
type builder struct {
	block
	times  []int64
	terms  map[string]int // place in posts
	posts  [][]uint16
	buffer []byte
	texts  map[string][]int // places in posts of the words of a text: most texts of an entry stand in its neighbours too
}

func newBuilder(first uint64) *builder {
	return &builder{block: block{first: first, last: first - 1}, terms: map[string]int{}, texts: map[string][]int{}}
}

// add takes in the next entry.
func (b *builder) add(e record.Entry) {
	at := uint16(len(b.times))
	note := func(what byte, value []byte) int {
		b.buffer = appendTerm(b.buffer[:0], what, value)
		return b.note(b.buffer, at)
	}
	micros := factsBy(e, func(what byte, value []byte) { note(what, value) }, func(text []byte) {
		places, met := b.texts[string(text)]
		if met {
			for _, i := range places {
				b.put(i, at)
			}
			return
		}
		eachWord(text, func(word []byte, _ byte) { places = append(places, note(isWord, word)) })
		if len(b.texts) < mostTexts && len(text) <= longestText {
			b.texts[string(text)] = places
		}
	})
	b.times = append(b.times, micros)
	b.last = e.Seq
	b.hash = tlog.RecordHash(e.JSON)
}

// What is kept of the texts of a block while it is built.
const mostTexts, longestText = 4096, 128

// note adds a place to a term, and says which term it is.
func (b *builder) note(term []byte, at uint16) int {
	i, ok := b.terms[string(term)]
	if !ok {
		i = len(b.posts)
		b.terms[string(term)] = i
		b.posts = append(b.posts, nil)
	}
	b.put(i, at)
	return i
}

func (b *builder) put(i int, at uint16) {
	if p := b.posts[i]; len(p) == 0 || p[len(p)-1] != at {
		b.posts[i] = append(p, at)
	}
}

// appendTerm writes a fact as it stands in the index.
func appendTerm(b []byte, what byte, value []byte) []byte {
	b = append(b, what)
	if len(value) > maxTerm {
		sum := sha256.Sum256(value)
		return append(append(b, 0), sum[:]...)
	}
	return append(b, value...)
}

// finish gives the block.
func (b *builder) finish() content {
	c := content{block: b.block, times: b.times}
	n := b.size()
	c.earliest, c.latest = reach(b.times)
	names := make([]string, 0, len(b.terms))
	for name := range b.terms {
		names = append(names, name)
	}
	slices.Sort(names)
	w := pageWriter{block: b.first}
	var posting []byte
	for _, name := range names {
		posting = appendPosting(posting[:0], b.posts[b.terms[name]], n)
		w.add(name, posting)
	}
	c.pages = w.finish()
	return c
}

// pageWriter cuts ascending terms into pages.
type pageWriter struct {
	block uint64
	pages []page
	from  []byte // of the page that is being filled
	body  []byte
	prev  string
	begun bool // whether that page holds a term
}

func (w *pageWriter) add(term string, posting []byte) {
	if w.begun && len(w.body)+len(posting) > pageFill {
		w.close([]byte(term))
		w.from, w.body, w.prev = []byte(term), nil, ""
	}
	shared := 0
	for shared < len(w.prev) && shared < len(term) && w.prev[shared] == term[shared] {
		shared++
	}
	w.body = binary.AppendUvarint(w.body, uint64(shared))
	w.body = binary.AppendUvarint(w.body, uint64(len(term)-shared))
	w.body = append(w.body, term[shared:]...)
	w.body = binary.AppendUvarint(w.body, uint64(len(posting)))
	w.body = append(w.body, posting...)
	w.prev, w.begun = term, true
}

// close ends the page. next is the term that the next one begins with, or nothing.
func (w *pageWriter) close(next []byte) {
	body := binary.AppendUvarint(nil, uint64(len(next)))
	body = append(append(body, next...), w.body...)
	w.pages = append(w.pages, page{w.from, sealBytes(body, w.block, w.from)})
}

func (w *pageWriter) finish() []page {
	w.close(nil)
	return w.pages
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sealBytes appends a check sum over bytes and the key under which they are stored, so that what was altered or is read
// from a wrong place is noticed.
func sealBytes(b []byte, block uint64, from []byte) []byte {
	return binary.BigEndian.AppendUint32(b, sumOf(b, block, from))
}

func sumOf(b []byte, block uint64, from []byte) uint32 {
	var key [8]byte
	binary.BigEndian.PutUint64(key[:], block)
	sum := crc32.Update(crc32.Checksum(key[:], castagnoli), castagnoli, from)
	return crc32.Update(sum, castagnoli, b)
}

// unseal gives the bytes without their check sum.
func unseal(b []byte, block uint64, from []byte) ([]byte, error) {
	n := len(b) - 4
	if n < 0 || binary.BigEndian.Uint32(b[n:]) != sumOf(b[:n], block, from) {
		return nil, errCorrupt
	}
	return b[:n], nil
}

// openPage reads the page of a block that begins with a term, and the term that the next one begins with (empty: there is
// none).
func openPage(b []byte, block uint64, from []byte) (next, items []byte, err error) {
	if b, err = unseal(b, block, from); err != nil {
		return nil, nil, err
	}
	next, b, ok := cutBytes(b)
	if !ok {
		return nil, nil, errCorrupt
	}
	return next, b, nil
}

// eachTerm calls f for the terms of a page, ascending, until it says no. term may not be kept.
func eachTerm(items []byte, f func(term, posting []byte) bool) error {
	var term []byte
	for len(items) > 0 {
		shared, size := binary.Uvarint(items)
		if size <= 0 || shared > uint64(len(term)) {
			return errCorrupt
		}
		rest, after, ok := cutBytes(items[size:])
		if !ok {
			return errCorrupt
		}
		posting, after, ok := cutBytes(after)
		if !ok {
			return errCorrupt
		}
		term = append(term[:shared], rest...)
		if !f(term, posting) {
			return nil
		}
		items = after
	}
	return nil
}

// cutBytes takes bytes that stand behind their length.
func cutBytes(b []byte) (part, rest []byte, ok bool) {
	n, size := binary.Uvarint(b)
	if size <= 0 || n > uint64(len(b)-size) {
		return nil, nil, false
	}
	return b[size : size+int(n)], b[size+int(n):], true
}

// find adds the places of the terms that a wanted one stands for to a set, as far as they are in a page.
func find(items []byte, term []byte, prefix bool, s set, n int) error {
	var bad error
	err := eachTerm(items, func(t, posting []byte) bool {
		switch c := bytes.Compare(t, term); {
		case c == 0 || prefix && bytes.HasPrefix(t, term):
			bad = orPosting(s, posting, n)
			return bad == nil && prefix
		default:
			return c < 0
		}
	})
	if bad != nil {
		return bad
	}
	return err
}

// merge joins blocks that lie side by side.
func merge(parts []content) (content, error) {
	b := newBuilder(parts[0].first)
	for _, p := range parts {
		at, n := len(b.times), p.size()
		s := newSet(n)
		for _, pg := range p.pages {
			_, items, err := openPage(pg.body, p.first, pg.from)
			if err != nil {
				return content{}, err
			}
			err2 := eachTerm(items, func(term, posting []byte) bool {
				clear(s)
				if err = orPosting(s, posting, n); err != nil {
					return false
				}
				s.each(false, func(i int) bool {
					b.note(term, uint16(at+i))
					return true
				})
				return true
			})
			if err != nil || err2 != nil {
				return content{}, errCorrupt
			}
		}
		b.times = append(b.times, p.times...)
		b.last, b.hash = p.last, p.hash
	}
	return b.finish(), nil
}
