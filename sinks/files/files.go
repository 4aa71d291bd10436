// Package files delivers entries to a folder of this machine or of a mounted share: one file for each entry, one for each closed
// period, or lines added to one file as they come.
//
// An entry counts as accepted when its file, and the folder that names it, are on the disk. A file of one entry is written
// beside its place and renamed, so that nobody ever reads half of it; it is never replaced. Delivered again, an entry finds
// its own bytes there and is done; other bytes under its name are refused. Lines are added and synced; a line that a crash
// cut off is removed at the next start, and an entry that is among the last 131,072 lines is not added again.
//
// Names are made of an entry's fields by format.SafeName, and every access goes through os.Root: no id, however hostile, and
// no link leads out of the folder.
//
// What comes back by itself is tried again: a folder that is gone, read-only or full. What needs a person stops the sink: a
// file in the place of the folder, no mount where there should be one, a file that something else has written into.
package files

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path"
	"syscall"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/format"
)

// Sink writes to one folder. It is made by New and used by one goroutine at a time.
type Sink struct {
	cfg     Config
	filing  folder.Filing
	rows    format.Rows // where entries are added to files, else nil
	log     *slog.Logger
	work    folder.Guard
	storing *storing // what is kept beside the deliveries

	// These belong to the work under way.
	root *os.Root
	is   os.FileInfo // of root, to notice another folder in its place
	days map[string]*day
	seen *recent
}

var _ sinks.Collector = (*Sink)(nil)

// New makes a sink. The folder need not be there yet.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	filing, err := folder.NewFiling(c.choice(), c.Name, c.entryName(), c.Manifest, id, env)
	if err != nil {
		return nil, err
	}
	s := &Sink{cfg: c, filing: filing, log: env.Logger(id), storing: newStoring()}
	s.filing.Where, s.filing.Explain = "the folder "+c.Folder, s.explain
	if filing.Name != nil && c.way(filing.Name) == format.Added {
		s.rows, _ = filing.Format.(format.Rows)
	}
	s.forget()
	return s, nil
}

// Deliver writes the entries. A disk that does not answer cannot be interrupted: Deliver then returns when ctx ends, and the
// next call waits for what is still under way.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	return s.work.Do(ctx, func(ctx context.Context) (int, error) {
		if err := s.filing.Unable(); err != nil {
			return 0, err
		}
		if err := s.open(); err != nil {
			return 0, err
		}
		if s.rows != nil {
			return s.lines(ctx, entries)
		}
		return s.filing.Deliver(ctx, folder.NewVisit(local{s.root}), entries)
	})
}

// Collect writes one file of a closed batch.
func (s *Sink) Collect(ctx context.Context, b sinks.Batch) ([]sinks.LeftOut, error) {
	left := make(chan []sinks.LeftOut, 1) // not a variable: work that was left alone may end later
	_, err := s.work.Do(ctx, func(ctx context.Context) (int, error) {
		if err := s.open(); err != nil {
			return 0, err
		}
		out, err := s.filing.Collect(ctx, folder.NewVisit(local{s.root}), b)
		left <- out
		return 0, err
	})
	if err != nil {
		return nil, err
	}
	return <-left, nil
}

// Close lets go of the folder.
func (s *Sink) Close() error {
	return s.work.End(func() error {
		if s.root == nil {
			return nil
		}
		return s.root.Close()
	})
}

// forget drops all that is known of the folder's content.
func (s *Sink) forget() {
	if s.root != nil {
		_ = s.root.Close() // it was only read from
	}
	s.root, s.is = nil, nil
	s.days, s.seen = make(map[string]*day), newRecent()
}

// open makes sure that root is the folder that the path names now: it may have been moved away, unmounted or mounted since.
func (s *Sink) open() error {
	info, err := s.look()
	if err != nil {
		s.forget()
		return err
	}
	if s.root != nil && os.SameFile(s.is, info) {
		return nil
	}
	s.forget()
	s.root, s.is, err = s.enter()
	return err
}

// look says what the path of the folder names now, if that can be used.
func (s *Sink) look() (os.FileInfo, error) {
	info, err := os.Stat(s.cfg.Folder)
	switch {
	case err != nil:
		return nil, s.explain(err)
	case !info.IsDir():
		return nil, sinks.Unusable{Err: fmt.Errorf("%s is a file, and should be a folder", s.cfg.Folder)}
	}
	if s.cfg.Mount {
		if mounted, err := isMount(s.cfg.Folder); err != nil {
			return nil, s.explain(err)
		} else if !mounted {
			return nil, sinks.Unusable{Err: fmt.Errorf("%s is not mounted: files would stay on this machine", s.cfg.Folder)}
		}
	}
	return info, nil
}

// enter opens the folder that the path names now.
func (s *Sink) enter() (*os.Root, os.FileInfo, error) {
	info, err := s.look()
	if err != nil {
		return nil, nil, err
	}
	root, err := os.OpenRoot(s.cfg.Folder)
	if err != nil {
		return nil, nil, s.explain(err)
	}
	is, err := root.Stat(".")
	if err != nil || !os.SameFile(is, info) {
		_ = root.Close() // nothing was written
		return nil, nil, fmt.Errorf("the folder %s changes at this moment", s.cfg.Folder)
	}
	return root, is, nil
}

// explain says in a sentence what a system call said of the folder, and whether it can pass.
func (s *Sink) explain(err error) error {
	var why string
	switch {
	case errors.Is(err, syscall.ENOTDIR), errors.Is(err, syscall.EISDIR):
		return sinks.Unusable{Err: fmt.Errorf("in the folder %s something is in the way: %w", s.cfg.Folder, err)}
	case errors.Is(err, syscall.ENAMETOOLONG), errors.Is(err, syscall.EINVAL), errors.Is(err, syscall.EILSEQ):
		return sinks.Refused{Err: fmt.Errorf("the folder %s does not take this name: %w", s.cfg.Folder, err)}
	case errors.Is(err, fs.ErrNotExist):
		why = "is not there: mount or create it"
	case errors.Is(err, syscall.EROFS):
		why = "is read-only: mount it for writing"
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		why = "has no room left: make some"
	case errors.Is(err, fs.ErrPermission):
		why = "may not be written: give the user that runs weighpost the right to"
	default:
		return fmt.Errorf("the folder %s: %w", s.cfg.Folder, err)
	}
	return fmt.Errorf("the folder %s %s (%w)", s.cfg.Folder, why, err)
}

// mkdir makes the folders above a file, and has each on the disk before something is put into it.
func (s *Sink) mkdir(dir string) error {
	if dir == "." {
		return nil
	}
	if err := s.mkdir(path.Dir(dir)); err != nil {
		return err
	}
	switch err := s.root.Mkdir(dir, 0o755); {
	case errors.Is(err, fs.ErrExist):
		return nil
	case err != nil:
		return err
	}
	return syncFolder(s.root, path.Dir(dir))
}
