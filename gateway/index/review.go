package index

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// Recorder is what a review needs of the journal beyond what it reads.
type Recorder interface {
	// Append returns when bodies are durable.
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
	// Checkpoint signs the head and gives the note with the number of entries that it covers.
	Checkpoint(ctx context.Context) (size uint64, note []byte, err error)
}

// ReviewEntries gives the entries that note reviews, oldest first.
func (l Lister) ReviewEntries(ctx context.Context) ([]record.Entry, error) {
	var list []record.Entry
	f, p := Filter{Kinds: []record.Kind{record.KindTrailReviewed}}, Page{Limit: MaxLimit}
	for {
		page, err := l.List(ctx, f, p)
		if err != nil {
			return nil, err
		}
		list = append(list, page.Entries...)
		if page.Next == "" {
			return list, nil
		}
		if len(page.Entries) == 0 && l.Patience > 0 {
			return nil, ErrBehind
		}
		p.Cursor = page.Next
	}
}

// reviewed gives the entry up to which a filter's entries were reviewed: by the newest review of everything or of the same
// filter.
func (l Lister) reviewed(ctx context.Context, f Filter) (to uint64, err error) {
	list, err := l.ReviewEntries(ctx)
	for _, e := range list {
		var r record.TrailReviewed
		if err := json.Unmarshal(e.JSON, &r); err != nil {
			return 0, fmt.Errorf("the review in entry %d cannot be read: %w", e.Seq, err)
		}
		if r.Query == "" || r.Query == f.Query() {
			to = max(to, r.To)
		}
	}
	return to, err
}

// SinceReview narrows a filter to what came after the newest review of everything or of the same filter, and has the page's
// cursors belong to the filter as it was asked. A page that goes on upwards is not narrowed: what is before it was given, and
// a review that was noted meanwhile hides nothing.
func (l Lister) SinceReview(ctx context.Context, f Filter, p *Page) (Filter, error) {
	p.Asked = f.String() + " since the last review"
	if p.Cursor != "" && !p.Down && !p.ByTime {
		return f, nil
	}
	content := f
	content.After, content.Before = 0, 0
	to, err := l.reviewed(ctx, content)
	f.After = max(f.After, to)
	return f, err
}

// Query writes a filter as the parameters that ParseQuery reads, in one way for one filter; "" for all entries.
func (f *Filter) Query() string {
	v := url.Values{}
	for _, want := range f.fields() {
		v.Set(want.name, want.value)
	}
	for _, k := range f.Kinds {
		v.Add("kind", string(k))
	}
	for name, t := range map[string]time.Time{"from": f.From, "to": f.To} {
		if !t.IsZero() {
			v.Set(name, instant(t))
		}
	}
	for name, n := range map[string]uint64{"after": f.After, "before": f.Before} {
		if n > 0 {
			v.Set(name, strconv.FormatUint(n, 10))
		}
	}
	if f.Text != "" {
		v.Set("text", f.Text)
	}
	return v.Encode()
}

// Reviewer notes reviews: one after the other, so that no two begin at the same entry. Whoever has several sees to that.
type Reviewer struct {
	Lister
	Journal Recorder
	// Stamp gives the time of the act.
	Stamp func() record.Stamp
}

// Review appends that somebody looked over the entries since the last review of the same filter, up to r.To, and gives the
// entry. A *record.RequestRefused says in a sentence why it was not noted; other errors are those of the journal.
func (v *Reviewer) Review(ctx context.Context, r record.ReviewRequest, by record.Actor) (record.Entry, error) {
	refused := func(format string, args ...any) (record.Entry, error) {
		return record.Entry{}, &record.RequestRefused{Why: fmt.Sprintf(format, args...)}
	}
	if err := r.Check(); err != nil {
		return refused("%v", err)
	}
	query, err := url.ParseQuery(r.Filter)
	if err != nil {
		return refused("filter %.40q is written wrongly: write it as kind=weighing&balance=b-12", r.Filter)
	}
	f, err := ParseQuery(query)
	if err != nil {
		return refused("filter: %v", err)
	}
	if f.After > 0 || f.Before > 0 {
		return refused("filter names sequences: a review begins where the last one ended, and ends at to")
	}
	last, err := v.reviewed(ctx, f)
	if err != nil {
		return record.Entry{}, err
	}
	head := v.Source.Head()
	if r.To == 0 {
		r.To = head
	}
	switch {
	case r.To > head:
		return refused("entry %d does not exist: the journal ends with entry %d", r.To, head)
	case r.To <= last:
		return refused("entries up to %d were reviewed already: a review up to %d would say nothing new", last, r.To)
	}
	size, note, err := v.Journal.Checkpoint(ctx)
	if err != nil {
		return record.Entry{}, err
	}
	text, _, _ := strings.Cut(string(note), "\n\n")
	at, err := proof.ParseText(text + "\n")
	if err != nil {
		return record.Entry{}, fmt.Errorf("the checkpoint of the journal cannot be read: %w", err)
	}
	body := &record.TrailReviewed{
		From: last + 1, To: r.To, TreeSize: size, Root: base64.StdEncoding.EncodeToString(at.Root[:]), Checkpoint: string(note),
		Findings: r.Findings, Reason: r.Reason, By: by, Stamp: v.Stamp(),
	}
	if !f.Empty() {
		body.Filter, body.Query = f.String(), f.Query()
	}
	entries, err := v.Journal.Append(ctx, body)
	if err != nil {
		return record.Entry{}, err
	}
	return entries[0], nil
}
