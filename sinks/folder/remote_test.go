package folder

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// slowShare is a share in memory, each of whose calls takes a tenth of a second.
type slowShare struct {
	FS    // what is not used here
	files map[string]*bytes.Buffer
}

type slowFile struct{ *bytes.Buffer }

func (slowFile) Sync() error  { return nil }
func (slowFile) Close() error { return nil }

func (s *slowShare) call(ctx context.Context) error {
	time.Sleep(100 * time.Millisecond)
	return ctx.Err()
}

func (s *slowShare) Stat(ctx context.Context, name string) (fs.FileInfo, error) {
	return nil, errors.Join(s.call(ctx), fs.ErrNotExist)
}

func (s *slowShare) Create(ctx context.Context, name string) (File, error) {
	s.files[name] = &bytes.Buffer{}
	return slowFile{s.files[name]}, s.call(ctx)
}

func (s *slowShare) Rename(ctx context.Context, from, to string, _ bool) error {
	s.files[to] = s.files[from]
	delete(s.files, from)
	return s.call(ctx)
}

func (s *slowShare) Remove(ctx context.Context, name string) error {
	return errors.Join(s.call(ctx), fs.ErrNotExist)
}

func (s *slowShare) Mkdir(ctx context.Context, _ string) error { return s.call(ctx) }
func (s *slowShare) Settle(ctx context.Context, names []string) (int, error) {
	return len(names), s.call(ctx)
}
func (s *slowShare) Close() error { return nil }

// TestASlowShareKeepsItsConnection: a share that takes part of a batch in the time that there is gets the rest over the same connection.
// To sign in anew for each part would leave it still less time.
func TestASlowShareKeepsItsConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		filing, err := NewFiling(format.DefaultChoice(), "", "{balance}/{number}", false, "share", sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		filing.Explain = func(err error) error { return err }
		share, dials := &slowShare{files: map[string]*bytes.Buffer{}}, 0
		r := NewRemote(filing, "share:445", func(context.Context) (FS, error) { dials++; return share, nil })
		rest, parts := sinktest.Weighings(60, 2), 0
		for ; len(rest) > 0 && parts < 100; parts++ {
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			n, err := r.Deliver(ctx, rest)
			cancel()
			if n == 0 || err != nil && !errors.Is(err, context.DeadlineExceeded) {
				t.Fatalf("%d of %d: %v", n, len(rest), err)
			}
			rest = rest[n:]
		}
		if dials != 1 || parts < 3 || len(share.files) != 60 {
			t.Errorf("%d connections for %d parts, and %d files are there", dials, parts, len(share.files))
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
}
