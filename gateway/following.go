package gateway

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

const (
	followChunk = 256 // entries that a follower is given at once
	// followPause is how long a follower that was woken for nothing rests, so that many of them cost little beside a dense stream.
	followPause = 20 * time.Millisecond
)

// cursorOf names the place of an entry: its incarnation and its sequence.
func cursorOf(e record.Entry) string {
	parts := strings.Split(e.ID, "/") // site, incarnation, balance, number
	if len(parts) != 4 {
		return strconv.FormatUint(e.Seq, 10)
	}
	return parts[1] + "." + strconv.FormatUint(e.Seq, 10)
}

// cursorAt names the place after so many entries.
func (g *Gateway) cursorAt(ctx context.Context, seq uint64) (string, error) {
	if seq == 0 {
		return "0", nil
	}
	list, err := g.journal.Read(ctx, seq-1, 1)
	var lost *journal.SegmentFault
	switch {
	case errors.As(err, &lost): // it is there, and cannot be read
		return strconv.FormatUint(seq, 10), nil
	case err != nil:
		return "", err
	case len(list) == 0:
		return "", fmt.Errorf("the journal has no entry %d", seq)
	}
	return cursorOf(list[0]), nil
}

// place reads a cursor. The error is a *record.RequestRefused, a *console.OtherLife, or that of the journal.
func (g *Gateway) place(ctx context.Context, cursor string) (uint64, error) {
	life, number, named := strings.Cut(cursor, ".")
	if !named {
		life, number = "", cursor
	}
	seq, err := strconv.ParseUint(number, 10, 63)
	if err != nil || named && life == "" || len(life) > 64 {
		return 0, &record.RequestRefused{Why: fmt.Sprintf("%.80q is no cursor: write what an answer or an event gave, as 7qx3.90211, or the sequence of an entry", cursor)}
	}
	head := g.journal.Head()
	if !named && seq > head {
		return 0, &record.RequestRefused{Why: fmt.Sprintf("the journal has no entry %d: it ends with %d", seq, head)}
	}
	if !named || seq == 0 {
		return seq, nil
	}
	now := ""
	if seq <= head {
		if now, err = g.cursorAt(ctx, seq); err != nil {
			return 0, err
		}
	}
	if now == cursor || now == number {
		return seq, nil
	}
	other := &console.OtherLife{Asked: cursor, Now: g.journal.Incarnation()}
	other.Shared, err = g.sharedWith(ctx, life, seq)
	if err != nil {
		return 0, err
	}
	return 0, other
}

// sharedWith is the cursor of the last entry that this journal has of another life, up to a sequence of that; "": it is not
// known to have any.
func (g *Gateway) sharedWith(ctx context.Context, life string, seq uint64) (string, error) {
	f := index.Filter{Kinds: []record.Kind{record.KindRestored}}
	for p := (index.Page{Limit: index.MaxLimit}); ; {
		page, err := g.lister().List(ctx, f, p)
		if err != nil {
			return "", err
		}
		for _, e := range page.Entries { // the first entry of a life; those before it are of the life that it goes on from
			before, err := g.cursorAt(ctx, e.Seq-1)
			if err != nil {
				return "", err
			}
			if strings.HasPrefix(before, life+".") && e.Seq-1 < seq {
				return before, nil
			}
		}
		if page.Next == "" {
			return "", nil
		}
		p.Cursor = page.Next
	}
}

// Now is the cursor of the last entry.
func (g *Gateway) Now(ctx context.Context) (string, error) { return g.cursorAt(ctx, g.journal.Head()) }

// Follow begins after a cursor, or, where that is "", at the present.
func (g *Gateway) Follow(ctx context.Context, request url.Values, after string, kinds ...record.Kind) (console.Following, error) {
	f, err := index.ParseQuery(request)
	switch {
	case err != nil:
		return nil, &record.RequestRefused{Why: err.Error()}
	case f.Before > 0:
		return nil, &record.RequestRefused{Why: "before cannot be asked for here: a stream has no end"}
	}
	if len(kinds) > 0 {
		f.Kinds = kinds
	}
	at := g.journal.Head()
	if after != "" {
		if at, err = g.place(ctx, after); err != nil {
			return nil, err
		}
	}
	cursor, err := g.cursorAt(ctx, at)
	if err != nil {
		return nil, err
	}
	return &following{journal: g.journal, filter: f, at: at, cursor: cursor}, nil
}

// following is one reader of the journal.
type following struct {
	journal index.Source
	filter  index.Filter
	at      uint64 // everything up to here was looked at
	cursor  string
}

// waiter is what tells of new entries.
type waiter interface {
	Wait(ctx context.Context, after uint64) error
}

// Cursor is where it stands.
func (f *following) Cursor() string { return f.cursor }

// More waits for entries, and gives those among the next ones that the filter wants.
func (f *following) More(ctx context.Context) (list []console.Followed, err error) {
	if err := f.journal.(waiter).Wait(ctx, f.at); err != nil {
		return nil, err
	}
	entries, err := f.journal.Read(ctx, f.at, followChunk)
	var lost *journal.SegmentFault
	if errors.As(err, &lost) && lost.Seq > f.at && lost.Last >= lost.Seq {
		if lost.Seq > f.at+1 { // what stands before it
			if entries, err = f.journal.Read(ctx, f.at, int(min(lost.Seq-1-f.at, followChunk))); err != nil {
				return nil, err
			}
			return f.wanted(entries), nil
		}
		f.at = min(lost.Last, f.journal.Head())
		f.cursor = strconv.FormatUint(f.at, 10)
		return []console.Followed{{Cursor: f.cursor, Missing: &console.MissingEntries{First: lost.Seq, Last: f.at, Why: lost.Error()}}}, nil
	}
	if err != nil {
		return nil, err
	}
	return f.wanted(entries), nil
}

// wanted moves beyond entries and gives those that the filter wants.
func (f *following) wanted(entries []record.Entry) (list []console.Followed) {
	for _, e := range entries {
		if f.filter.Match(e) {
			list = append(list, console.Followed{Cursor: cursorOf(e), Entry: e.JSON})
		}
	}
	if n := len(entries); n > 0 {
		f.at, f.cursor = entries[n-1].Seq, cursorOf(entries[n-1])
	}
	return list
}

// NextWeighing gives the first entry of the kinds about a balance after a cursor, and waits for one.
func (g *Gateway) NextWeighing(ctx context.Context, balance, after string, wait time.Duration, kinds ...record.Kind) (console.Followed, error) {
	at, err := g.place(ctx, after)
	if err != nil {
		return console.Followed{}, err
	}
	limit, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	f := index.Filter{Balance: balance, Kinds: slices.Clone(kinds), After: at}
	slices.Sort(f.Kinds)
	found, at, err := g.firstOf(ctx, f)
	if err != nil || found != nil {
		return followed(found, err)
	}
	if _, err := g.intakeOf(balance); errors.Is(err, record.ErrNoBalance) {
		return console.Followed{}, err
	}
	for {
		switch err := g.journal.Wait(limit, at); {
		case ctx.Err() != nil:
			return console.Followed{}, ctx.Err()
		case limit.Err() != nil:
			cursor, err := g.cursorAt(ctx, at)
			return console.Followed{Cursor: cursor}, err
		case err != nil:
			return console.Followed{}, err
		}
		entries, err := g.journal.Read(ctx, at, followChunk)
		if err != nil {
			return console.Followed{}, err
		}
		for _, e := range entries {
			if at = e.Seq; e.Balance == balance && slices.Contains(kinds, e.Kind) {
				return followed(&e, nil)
			}
		}
		select {
		case <-time.After(followPause):
		case <-limit.Done():
		}
	}
}

func followed(e *record.Entry, err error) (console.Followed, error) {
	if err != nil {
		return console.Followed{}, err
	}
	return console.Followed{Cursor: cursorOf(*e), Entry: e.JSON}, nil
}

// firstOf gives the first entry that a filter wants of those that there are, or up to where there is none. An entry that cannot
// be read might be the first: then it is an error.
func (g *Gateway) firstOf(ctx context.Context, f index.Filter) (*record.Entry, uint64, error) {
	for p := (index.Page{Limit: 1}); ; {
		page, err := g.lister().List(ctx, f, p)
		switch {
		case err != nil:
			return nil, 0, err
		case page.Missing > 0:
			return nil, 0, fmt.Errorf("entries that might be the next cannot be read: %w", page.Why)
		case len(page.Entries) > 0:
			return &page.Entries[0], 0, nil
		case page.Next == "":
			return nil, page.Head, nil
		}
		p.Cursor = page.Next
	}
}
