package export

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// dirSource is a journal in a folder, closed or being written.
type dirSource struct {
	dir, segments string
	about         About
}

// Open gives the journal in a folder as it is now. What comes into it later is not in the export.
func Open(ctx context.Context, dir string) (Source, error) { return OpenWith(ctx, dir, "") }

// OpenWith is Open with another folder in which sealed segments are looked for that the journal's own folder lacks; "": none.
func OpenWith(ctx context.Context, dir, segments string) (Source, error) {
	a, err := journal.AboutDir(ctx, dir)
	if err != nil {
		return nil, err
	}
	about := About{
		Where: "the journal in " + dir, Origin: a.Origin, Incarnation: a.Incarnation, Head: a.Head, Checkpoint: a.Checkpoint,
		Site: siteOf(a.Origin, a.Incarnation),
	}
	if a.Acknowledged > 0 {
		about.Roots = []Root{{a.Acknowledged, a.Root, "its head file"}}
	}
	return &dirSource{dir, segments, about}, nil
}

// siteOf takes the site out of the name of a tree, weighpost/SITE/INCARNATION; what has another form is given as it is.
func siteOf(origin, incarnation string) string {
	site, ok := strings.CutPrefix(origin, "weighpost/")
	site, last := strings.CutSuffix(site, "/"+incarnation)
	if !ok || !last {
		return origin
	}
	return site
}

func (s *dirSource) About() About { return s.about }

var errHead = errors.New("up to the head")

// Each stops at the head of the moment when the export began.
func (s *dirSource) Each(ctx context.Context, each func(record.Entry) error) error {
	if s.about.Head == 0 {
		return nil
	}
	if journal.InUse(s.dir) {
		return eachOf(s.about.Head, each, func(after uint64, max int) ([]record.Entry, error) { return s.some(ctx, after, max) })
	}
	err := journal.ScanWith(ctx, s.dir, s.segments, 0, func(e record.Entry) error {
		if e.Seq > s.about.Head {
			return errHead
		}
		if err := each(e); err != nil {
			return err
		}
		if e.Seq == s.about.Head {
			return errHead
		}
		return nil
	})
	return whole(err)
}

// whole turns what a scan ended with into what the export is told: entries in a segment that cannot be read are a fault, since
// without them nothing shows that the export is whole.
func whole(err error) error {
	var lost *journal.SegmentFault
	switch {
	case errors.As(err, &lost):
		return lost
	case errors.Is(err, errHead):
		return nil
	}
	return err
}

// some reads a few entries and lets go of the journal: a daemon that writes it could not fold its WAL while somebody reads on
// as slowly as their terminal or network goes.
func (s *dirSource) some(ctx context.Context, after uint64, max int) (entries []record.Entry, err error) {
	err = journal.ScanWith(ctx, s.dir, s.segments, after, func(e record.Entry) error {
		entries = append(entries, e)
		if len(entries) == max {
			return errHead
		}
		return nil
	})
	return entries, whole(err)
}

// Reader is a journal that is open.
type Reader interface {
	Checkpoint(ctx context.Context) (seq uint64, signedNote []byte, err error)
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	Incarnation() string
}

// liveSource is the journal of the daemon itself.
type liveSource struct {
	j     Reader
	about About
}

// Live gives a journal that this process has open, up to its newest checkpoint, which is made now.
func Live(ctx context.Context, j Reader) (Source, error) {
	size, signed, err := j.Checkpoint(ctx)
	if err != nil {
		return nil, err
	}
	c, err := proof.Peek(signed)
	if err != nil {
		return nil, fmt.Errorf("the journal's own checkpoint cannot be read: %w", err)
	}
	return &liveSource{j, About{
		Where: "the journal", Origin: c.Origin, Incarnation: j.Incarnation(), Site: siteOf(c.Origin, j.Incarnation()), Head: size, Checkpoint: signed,
	}}, nil
}

func (s *liveSource) About() About { return s.about }

// Each reads what was checked against its hash, and stops at the checkpoint.
func (s *liveSource) Each(ctx context.Context, each func(record.Entry) error) error {
	return eachOf(s.about.Head, each, func(after uint64, max int) ([]record.Entry, error) { return s.j.Read(ctx, after, max) })
}

// chunk is how many entries are read at once, and kept in memory.
const chunk = 500

// eachOf walks over the entries up to head, some at a time.
func eachOf(head uint64, each func(record.Entry) error, read func(after uint64, max int) ([]record.Entry, error)) error {
	for after := uint64(0); after < head; {
		entries, err := read(after, int(min(chunk, head-after)))
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			return fmt.Errorf("the journal has no entry %d any more. Run: weighpost journal verify", after+1)
		}
		for _, e := range entries {
			after = e.Seq
			if err := each(e); err != nil {
				return err
			}
		}
	}
	return nil
}
