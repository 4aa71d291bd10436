package index

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"
)

// Journal is what an index is fed from.
type Journal interface {
	Source
	// Wait returns when there is more than an entry, or with an error when ctx ends or the journal is closed.
	Wait(ctx context.Context, after uint64) error
}

// State says how far an index has come.
type State struct {
	Indexed, Head uint64
	Err           error // why it does not go on just now; nil: it does
}

// Feeder keeps an index up with its journal.
type Feeder struct {
	DB      *DB
	Journal Journal
	Log     *slog.Logger
	// OnState is told of every step; nil: nobody is.
	OnState func(State)
	// Room says how many bytes may be written to a folder's disk before they take what recording needs; nil: it is not asked.
	Room func(folder string) (int64, error)

	hurry  bool          // it does not rest
	again  time.Duration // in place of lookAgain and tryAgain
	store  *store
	blocks []block
}

const (
	// lookAgain is how often it is looked whether the file is still there.
	lookAgain = 10 * time.Second
	// tryAgain is how long after a failure it is tried again.
	tryAgain = time.Minute
	feedRead = 256 // entries read at once
)

// Run feeds the index until ctx ends or the journal is closed. It rests as long as it works, so that it never has more than
// half of a processor, and it writes one block a transaction. Whatever is wrong with the file, it is made anew.
func (f *Feeder) Run(ctx context.Context) {
	defer f.letGo()
	for ctx.Err() == nil {
		err := f.round(ctx)
		if err == nil {
			continue
		}
		if ctx.Err() != nil || isClosed(err) {
			return
		}
		f.letGo()
		var other *journalError
		if !passing(err) && !errors.As(err, &other) && !errors.Is(err, errNoRoom) {
			f.Log.Warn("the search index is made anew", "file", f.DB.name, "because", err)
			if err = f.remove(); err == nil {
				continue
			}
		}
		f.Log.Warn("the search index cannot be kept up", "file", f.DB.name, "err", err, "next_try_in", tryAgain)
		f.tell(err)
		if !sleep(ctx, cmp.Or(f.again, tryAgain)) {
			return
		}
	}
}

// isClosed says whether the journal was closed. It is told apart by ctx, which ends first, and by this.
func isClosed(err error) bool { return errors.Is(err, errEnded) }

var errEnded = errors.New("the journal is closed")

func (f *Feeder) letGo() {
	if f.store != nil {
		_ = f.store.close()
	}
	f.store, f.blocks = nil, nil
}

// remove takes the file away, with what SQLite may have put beside it.
func (f *Feeder) remove() error {
	f.DB.wrong.Store(false)
	for _, beside := range []string{"-journal", "-wal", "-shm", ""} {
		if err := os.Remove(f.DB.name + beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s cannot be taken away, so take it away by hand: %w", f.DB.name+beside, err)
		}
	}
	return nil
}

// round opens the index where it is not open, and takes in one block or waits until there is one.
func (f *Feeder) round(ctx context.Context) error {
	if f.store != nil && f.store.moved() {
		f.Log.Warn("the search index was taken away: it is made anew", "file", f.DB.name)
		f.letGo()
	}
	if f.store != nil && f.DB.wrong.Load() {
		return errCorrupt
	}
	if f.store == nil {
		if err := f.open(ctx); err != nil {
			return err
		}
	}
	last, head := f.last(), f.Journal.Head()
	size := 0
	for _, s := range blockSizes {
		if last%uint64(s) == 0 && head-last >= uint64(s) {
			size = s
		}
	}
	f.tell(nil)
	if size == 0 && !f.hurry {
		return f.wait(ctx, last)
	}
	if size == 0 {
		return nil
	}
	return f.take(ctx, last, size)
}

func (f *Feeder) last() uint64 {
	if len(f.blocks) == 0 {
		return 0
	}
	return f.blocks[len(f.blocks)-1].last
}

func (f *Feeder) tell(err error) {
	if f.OnState != nil {
		f.OnState(State{f.last(), f.Journal.Head(), err})
	}
}

// open opens the index and sees whether it is of this journal.
func (f *Feeder) open(ctx context.Context) (err error) {
	if f.store, err = openStore(f.DB.name, true); err != nil {
		return err
	}
	err = f.store.transact("DEFERRED", func() error {
		f.blocks, err = f.store.blocks()
		return err
	})
	if err != nil {
		return err
	}
	if f.last() > f.Journal.Head() {
		return errStranger
	}
	if err := goesAlong(ctx, f.Journal, f.blocks); err != nil {
		return err
	}
	f.DB.wrong.Store(false) // what a search met before: opening it for writing may have mended it
	return nil
}

// wait waits for a block's worth of entries, or until it is time to look at the file again.
func (f *Feeder) wait(ctx context.Context, last uint64) error {
	limit, cancel := context.WithTimeout(ctx, cmp.Or(f.again, lookAgain))
	defer cancel()
	woken := make(chan struct{})
	go func() {
		defer close(woken)
		select {
		case <-f.DB.wake:
			cancel()
		case <-limit.Done():
		}
	}()
	err := f.Journal.Wait(limit, last+uint64(blockSizes[0])-1)
	ended := limit.Err() == nil && err != nil
	cancel()
	<-woken
	if ended {
		return errEnded
	}
	return nil
}

// take makes a block of the next entries and stores it, and joins what can be joined then.
func (f *Feeder) take(ctx context.Context, last uint64, size int) error {
	b := newBuilder(last + 1)
	for b.size() < size {
		start := time.Now()
		entries, err := f.Journal.Read(ctx, b.last, min(feedRead, size-b.size()))
		if err != nil {
			return &journalError{err}
		}
		if len(entries) == 0 {
			return &journalError{fmt.Errorf("the journal gave nothing after entry %d", b.last)}
		}
		for _, e := range entries {
			b.add(e)
		}
		if !f.rest(ctx, start) {
			return ctx.Err()
		}
	}
	start := time.Now()
	if err := f.room(); err != nil {
		return err
	}
	c := b.finish()
	if err := f.store.put(c, nil); err != nil {
		return err
	}
	f.blocks = append(f.blocks, c.block)
	err := f.join()
	f.rest(ctx, start)
	return err
}

// leastRoom is what has to be free for a block: the largest one, joined of others, which go only when it is written.
const leastRoom = 8 << 20

// errNoRoom says that the index is left as it is before the disk is full.
var errNoRoom = errors.New("what is free on its disk is kept for recording")

// room says that there is none for another block. What cannot be told is no reason to stop: a full disk says so itself.
func (f *Feeder) room() error {
	if f.Room == nil {
		return nil
	}
	if room, err := f.Room(filepath.Dir(f.DB.name)); err == nil && room < leastRoom {
		return errNoRoom
	}
	return nil
}

// rest waits for as long as the work took that began at start.
func (f *Feeder) rest(ctx context.Context, start time.Time) bool {
	return f.hurry && ctx.Err() == nil || sleep(ctx, time.Since(start))
}

// join makes one block of the last ones where they fill one of the next size.
func (f *Feeder) join() error {
	for _, size := range blockSizes[1:] {
		last := f.last()
		if last%uint64(size) != 0 {
			return nil
		}
		from := len(f.blocks) - 1
		for f.blocks[from].first > last-uint64(size)+1 {
			from--
		}
		parts := f.blocks[from:]
		if len(parts) == 1 {
			continue
		}
		var loaded []content
		for _, b := range parts {
			c, err := f.store.load(b)
			if err != nil {
				return err
			}
			loaded = append(loaded, c)
		}
		whole, err := merge(loaded)
		if err != nil {
			return err
		}
		if err := f.store.put(whole, parts); err != nil {
			return err
		}
		f.blocks = append(f.blocks[:from], whole.block)
	}
	return nil
}

// sleep waits, and says whether ctx has not ended.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
