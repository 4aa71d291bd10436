package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Read gives up to max entries after a sequence, in order, and none when there are none yet. Their bytes are shared: nobody
// may change them. An entry whose bytes are not those that were hashed is never given: that is *Damaged.
func (j *Journal) Read(ctx context.Context, after uint64, max int) ([]record.Entry, error) {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return nil, ErrClosed
	}
	if max < 1 {
		return nil, nil
	}
	entries, last, ok := j.tail.read(after, max)
	if ok {
		return entries, nil
	}
	return j.read.read(ctx, after, last, max)
}

// readers are the connections that read while the writer writes.
type readers struct {
	disk disk
	name string
	free chan struct{} // a place for each reader that may be open

	mu     sync.RWMutex // held for writing while the database is opened anew
	idleMu sync.Mutex
	idle   []*reader
}

type reader struct {
	db     *sqlite3.Conn
	batch  *sqlite3.Stmt
	sealed *sealed
}

const maxReaders = 4

func newReaders(d disk, name string) *readers {
	return &readers{disk: d, name: name, free: make(chan struct{}, maxReaders)}
}

func (p *readers) read(ctx context.Context, after, last uint64, max int) ([]record.Entry, error) {
	select {
	case p.free <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-p.free }()
	p.mu.RLock()
	defer p.mu.RUnlock()
	r, err := p.take()
	if err != nil {
		return nil, fmt.Errorf("reading journal.db: %w", err)
	}
	entries, err := r.read(ctx, after, last, max)
	if err != nil {
		r.close()
		var bad *Damaged
		if errors.As(err, &bad) {
			bad.Dir = filepath.Dir(p.name)
		}
		return nil, err
	}
	p.idleMu.Lock()
	p.idle = append(p.idle, r)
	p.idleMu.Unlock()
	return entries, nil
}

func (p *readers) take() (*reader, error) {
	p.idleMu.Lock()
	if n := len(p.idle); n > 0 {
		r := p.idle[n-1]
		p.idle = p.idle[:n-1]
		p.idleMu.Unlock()
		return r, nil
	}
	p.idleMu.Unlock()
	db, err := openReader(p.disk, p.name)
	if err != nil {
		return nil, err
	}
	batch, _, err := db.PrepareFlags("SELECT json, hashes FROM entries WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
		sqlite3.PREPARE_PERSISTENT)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &reader{db, batch, newSealed(p.disk, filepath.Dir(p.name), db)}, nil
}

func (r *reader) read(ctx context.Context, after, last uint64, max int) ([]record.Entry, error) {
	s := r.batch
	err := errors.Join(s.BindInt64(1, int64(after)), s.BindInt64(2, int64(last)), s.BindInt64(3, int64(max)))
	if err != nil {
		return nil, err
	}
	defer r.sealed.close()
	var entries []record.Entry
	for seq := after + 1; s.Step(); seq++ {
		raw, hash := s.ColumnBlob(0, nil), s.ColumnRawBlob(1)
		if len(raw) == 0 {
			raw, err = r.sealed.entry(seq, hash)
			if err != nil && len(entries) > 0 {
				return entries, s.Reset() // what is right goes on its way; the next reading says what is not
			}
			if err != nil {
				return nil, err
			}
		}
		if leaf := tlog.RecordHash(raw); !bytes.HasPrefix(hash, leaf[:]) {
			return nil, &Damaged{What: fmt.Sprintf("entry %d is not what was recorded (leaf hash differs)", seq)}
		}
		e, err := record.ParseEntry(raw)
		if err != nil || e.Seq != seq {
			return nil, &Damaged{What: fmt.Sprintf("entry %d is missing or not what was recorded", seq)}
		}
		entries = append(entries, e)
		if err := ctx.Err(); err != nil {
			_ = s.Reset()
			return nil, err
		}
	}
	if err := s.Err(); err != nil {
		return nil, fmt.Errorf("reading journal.db: %w", err)
	}
	if want := min(uint64(max), last-after); uint64(len(entries)) != want {
		return nil, &Damaged{What: fmt.Sprintf("entries after %d are missing", after+uint64(len(entries)))}
	}
	return entries, s.Reset()
}

func (r *reader) close() {
	_ = r.batch.Close()
	_ = r.db.Close()
}

// closeIdle closes every connection. The caller holds p.mu for writing, so that all are idle.
func (p *readers) closeIdle() {
	p.idleMu.Lock()
	defer p.idleMu.Unlock()
	for _, r := range p.idle {
		r.close()
	}
	p.idle = nil
}
