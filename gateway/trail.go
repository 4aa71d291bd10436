package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"net/url"
	"reflect"
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
	// listPatience is how long entries that the search index has not come to are read for one answer.
	listPatience = 2 * time.Second
	// listBytes bounds the entries of one answer.
	listBytes = 8 << 20

	askSinceReview = "since_review"
)

// lister reads the journal for one answer.
func (g *Gateway) lister() index.Lister {
	return index.Lister{Source: g.journal, DB: g.index, Patience: listPatience, Bytes: listBytes}
}

// EntryParameters lists what a request for a list may say: the filter, by the names that the commands have too, and the page.
func (g *Gateway) EntryParameters() []console.ExportParameter {
	list := filterParameters()
	return append(list,
		console.ExportParameter{Name: askSinceReview, Values: []string{"true", "false"},
			About: "true: only entries after the newest review of the same filter, or of everything."},
		console.ExportParameter{Name: "sort", Values: index.Sorts, About: "The order: by sequence or by time; with a minus the newest come first."},
		console.ExportParameter{Name: "limit", About: "How many entries at most: 1 to 1000; 100 if left out."},
		console.ExportParameter{Name: "cursor", About: "Where the page before ended, as it said in next."},
		console.ExportParameter{Name: "count", Values: []string{"true", "false"}, About: "true: how many entries there are in all."})
}

// filterParameters lists the parameters of a filter.
func filterParameters() []console.ExportParameter {
	help := map[string]string{}
	for f := range reflect.TypeFor[index.Flags]().Fields() {
		help[strings.ToLower(f.Name)] = f.Tag.Get("help")
	}
	var list []console.ExportParameter
	for _, name := range index.Names {
		list = append(list, console.ExportParameter{Name: name, About: help[name]})
	}
	return list
}

// ListEntries answers a request for a list.
func (g *Gateway) ListEntries(ctx context.Context, request url.Values) (console.EntryList, error) {
	refused := func(err error) (console.EntryList, error) {
		return console.EntryList{}, &record.RequestRefused{Why: err.Error()}
	}
	since := request[askSinceReview]
	if len(since) > 1 || len(since) == 1 && !slices.Contains([]string{"true", "false", ""}, since[0]) {
		return refused(errors.New(askSinceReview + " is true or false, or left out"))
	}
	f, err := index.ParseQuery(request, append([]string{askSinceReview}, index.PageNames...)...)
	if err != nil {
		return refused(err)
	}
	p, err := index.ParsePage(request)
	if err != nil {
		return refused(err)
	}
	l := g.lister()
	if len(since) == 1 && since[0] == "true" {
		if f, err = l.SinceReview(ctx, f, &p); err != nil {
			return console.EntryList{}, err
		}
	}
	page, err := l.List(ctx, f, p)
	if errors.Is(err, index.ErrCursor) {
		return refused(err)
	}
	if err != nil {
		return console.EntryList{}, err
	}
	a := console.EntryList{Entries: []json.RawMessage{}, Next: page.Next, Indexed: page.Indexed, Head: page.Head, Missing: page.Missing, Filter: f.String()}
	for _, e := range page.Entries {
		a.Entries = append(a.Entries, e.JSON)
	}
	if p.Count {
		a.Count = &page.Count
	}
	return a, nil
}

// EntryByID gives one entry, and where it stands.
func (g *Gateway) EntryByID(ctx context.Context, id string) (console.OneEntry, error) {
	e, err := g.findEntry(ctx, id)
	if err != nil {
		return console.OneEntry{}, err
	}
	about, err := journal.AboutDir(ctx, g.now.Load().cfg.Journal.Folder)
	if err != nil {
		return console.OneEntry{}, err
	}
	one := console.OneEntry{Entry: e.JSON, Seq: e.Seq, Head: g.journal.Head(), Checkpoint: string(about.Checkpoint)}
	if lines := strings.SplitN(one.Checkpoint, "\n", 3); len(lines) == 3 { // C2SP tlog-checkpoint: origin, size, root
		size, err := strconv.ParseUint(lines[1], 10, 64)
		one.Covered = err == nil && size >= e.Seq
	}
	return one, nil
}

// findEntry finds an entry by its id: by the sequence in it, or by the balance and the words of it.
func (g *Gateway) findEntry(ctx context.Context, id string) (record.Entry, error) {
	parts := strings.Split(id, "/")
	if len(parts) != 4 {
		return record.Entry{}, console.ErrNoEntry
	}
	if seq, err := strconv.ParseUint(parts[3], 10, 63); parts[2] == "@" && err == nil && seq > 0 {
		entries, err := g.journal.Read(ctx, seq-1, 1)
		if err == nil && (len(entries) == 0 || entries[0].ID != id) {
			err = console.ErrNoEntry
		}
		if err != nil {
			return record.Entry{}, err
		}
		return entries[0], nil
	}
	f := index.Filter{Balance: parts[2], Text: strings.Join(parts, " "), Kinds: []record.Kind{record.KindWeighing, record.KindResult}}
	if f.Validate() != nil {
		return record.Entry{}, console.ErrNoEntry
	}
	for p := (index.Page{Limit: 100}); ; {
		page, err := g.lister().List(ctx, f, p)
		if err != nil {
			return record.Entry{}, err
		}
		for _, e := range page.Entries {
			if e.ID == id {
				return e, nil
			}
		}
		if page.Next == "" {
			return record.Entry{}, console.ErrNoEntry
		}
		if len(page.Entries) == 0 {
			return record.Entry{}, index.ErrBehind
		}
		p.Cursor = page.Next
	}
}

// Reviews gives the reviews that were noted.
func (g *Gateway) Reviews(ctx context.Context) ([]json.RawMessage, error) {
	list, err := g.lister().ReviewEntries(ctx)
	var raw []json.RawMessage
	for _, e := range list {
		raw = append(raw, e.JSON)
	}
	return raw, err
}

// Review notes that somebody looked the journal over.
func (g *Gateway) Review(ctx context.Context, r record.ReviewRequest, by record.Actor) (json.RawMessage, error) {
	g.reviewing.Lock() // so that no two reviews begin at the same entry
	defer g.reviewing.Unlock()
	v := index.Reviewer{Lister: g.lister(), Journal: g.journal, Stamp: g.stamp}
	e, err := v.Review(ctx, r, by)
	return e.JSON, err
}
