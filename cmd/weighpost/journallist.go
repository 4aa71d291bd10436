package main

import (
	"context"
	"fmt"
	"text/tabwriter"

	"weighpost/gateway/index"
	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

type journalList struct {
	Dir    string `arg:"" help:"The journal's folder, or its journal.db."`
	Since  bool   `name:"since-review" help:"Only entries after the newest review of the same filter, or of everything."`
	Sort   string `enum:"seq,-seq,time,-time" default:"seq" help:"By sequence or by time: seq, -seq, time or -time. With a minus the newest come first: --sort=-seq."`
	Limit  uint64 `placeholder:"N" help:"Stop after so many entries, and say where to go on."`
	Cursor string `help:"Go on where an earlier list ended: what it printed as its cursor."`
	JSON   bool   `help:"Print the exact bytes of each entry, one a line."`

	Segments string `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that are missing or damaged in the journal's own."`
	index.Flags
}

// Help is what the command tells beyond its one line.
func (journalList) Help() string {
	return `Prints the entries that the filter asks for. Works also while a daemon writes the journal, and changes nothing in it.
Where the folder has an index.db that belongs to the journal, it is used; what it has not come to yet is read directly, and
without one everything is. The result is the same. Notes about that, and the cursor, go to standard error.

Person finds entries about a person and what that person did. How text is searched: weighpost help audit-trail`
}

// listPage is how many entries are taken at once.
const listPage = 1000

func (c journalList) Run(ctx context.Context, s streams) error {
	filter, err := c.Filter()
	if err != nil {
		return err
	}
	src, err := index.OpenScannedWith(ctx, c.Dir, c.Segments)
	if err != nil {
		return err
	}
	db := index.OpenDB(src.Dir())
	defer db.Close()
	l := index.Lister{Source: src, DB: db, Chunk: 4096}
	p := index.Page{Cursor: c.Cursor}
	if err := p.SetSort(c.Sort); err != nil {
		return err
	}
	if c.Since {
		if filter, err = l.SinceReview(ctx, filter, &p); err != nil {
			return err
		}
	}
	err = c.print(ctx, s, l, filter, p)
	if lost := src.Lost(); lost != nil && err != nil {
		err = fmt.Errorf("%w\n%w", err, lost)
	}
	return err
}

// print prints the list page by page.
func (c journalList) print(ctx context.Context, s streams, l index.Lister, filter index.Filter, p index.Page) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "SEQ\tUTC\tKIND\tBALANCE\tPERSON\tWHAT")
	}
	var fixed record.Corrections
	if !c.JSON {
		if err := corrections(ctx, l, &fixed); err != nil {
			return err
		}
	}
	printed, missing, said := uint64(0), uint64(0), false
	for {
		p.Limit = listPage
		if c.Limit > 0 {
			p.Limit = int(min(listPage, c.Limit-printed))
		}
		page, err := l.List(ctx, filter, p)
		if err != nil {
			return err
		}
		if !said && page.Indexed > 0 && page.Head-page.Indexed >= 1024 {
			fmt.Fprintf(s.err, "index has come to entry %d of %d: the rest was read directly\n", page.Indexed, page.Head)
		}
		said = true
		for _, e := range page.Entries {
			if err := c.entry(s, table, e, &fixed); err != nil {
				return err
			}
		}
		if err := table.Flush(); err != nil { // the memory of one page is enough
			return err
		}
		printed += uint64(len(page.Entries))
		missing += page.Missing
		if page.Next == "" || c.Limit > 0 && printed >= c.Limit {
			return c.end(s, table, page.Next, missing)
		}
		p.Cursor = page.Next
	}
}

func (c journalList) entry(s streams, table *tabwriter.Writer, e record.Entry, fixed *record.Corrections) (err error) {
	if c.JSON {
		_, err = fmt.Fprintf(s.out, "%s\n", e.JSON)
		return err
	}
	utc, what := "", plain(tell.Line(e))
	if t := index.FactsOf(e).Time; !t.IsZero() {
		utc = t.Format("2006-01-02T15:04:05.000000Z")
	}
	if at, ok := fixed.OfEntry(e); ok {
		utc += fmt.Sprintf(" (%s within %s s, corrected by entry %d)", at.UTC, seconds(at.Bound), at.By)
	}
	_, err = fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\n", e.Seq, utc, e.Kind, plain(e.Balance), plain(index.FactsOf(e).Person()), what)
	return err
}

// end says where to go on, and what is not in the list.
func (c journalList) end(s streams, table *tabwriter.Writer, next string, missing uint64) error {
	if err := table.Flush(); err != nil {
		return err
	}
	if next != "" {
		fmt.Fprintf(s.err, "there is more: go on with --cursor %s\n", next)
	}
	if missing > 0 {
		return fmt.Errorf("%d entries could not be read and are not in the list. Run: weighpost journal verify %s", missing, c.Dir)
	}
	return nil
}

// corrections finds what entries say of the stamps of others: a correction comes after what it corrects.
func corrections(ctx context.Context, l index.Lister, into *record.Corrections) error {
	f, p := index.Filter{Kinds: []record.Kind{record.KindClockCorrected}}, index.Page{Limit: listPage}
	for {
		page, err := l.List(ctx, f, p)
		if err != nil {
			return err
		}
		for _, e := range page.Entries {
			if err := into.Add(e); err != nil {
				return err
			}
		}
		if p.Cursor = page.Next; p.Cursor == "" {
			return nil
		}
	}
}

func seconds(s record.Span) string {
	b, err := s.MarshalJSON()
	if err != nil {
		return "?"
	}
	return string(b)
}
