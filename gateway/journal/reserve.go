package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// The reserve file takes up space for nothing else than to be given up: on a disk that is full to the last byte, the reason
// why recording stops can then still be recorded.
const reserveName = "reserve"

// roomEvery is how often the writer looks at the space that is left.
const roomEvery = 50 * time.Millisecond

// noRoom says that recording stopped before the disk was full.
type noRoom struct {
	dir           string
	free, reserve uint64
}

func (e *noRoom) Error() string {
	return fmt.Sprintf("%s are free on the disk of %s, and %s are kept for recording", Size(e.free).About(), e.dir, Size(e.reserve).About())
}

// Notice is what recording has to say of itself.
type Notice struct {
	Stopped bool  // or works again
	Cause   error // at a resumption, of the stop
	Since   time.Time
	Free    uint64 // bytes on the disk; only with Reserve
	Reserve uint64 // bytes that are kept for recording, 0 where the stop was not about space
}

// aboutSpace says whether it was space, a quota or a limit that was missing.
func aboutSpace(err error) bool {
	var none *noRoom
	return errors.As(err, &none) || errors.Is(err, sqlite3.FULL) || err != nil && noSpace(err)
}

// room is the writer's view of the space that is left.
type room struct {
	looked time.Time
	kept   uint64    // size of the reserve file, 0: none
	again  time.Time // when to try again to make it
}

// look says that there is less space than is kept for recording. It makes the reserve file where there is none yet.
func (w *writer) look(now time.Time) error {
	if now.Sub(w.room.looked) < roomEvery {
		return nil
	}
	w.room.looked = now
	reserve := w.j.reserve.Load()
	if reserve != w.room.kept && now.After(w.room.again) {
		w.keepReserve(reserve)
	}
	if reserve == 0 {
		return nil
	}
	free, err := w.j.o.free(w.j.o.Dir)
	if err == nil && free < reserve {
		return &noRoom{w.j.o.Dir, free, reserve}
	}
	return nil // what cannot be told is no reason to stop: a full disk says so itself
}

// enough says whether recording may be resumed: half the reserve more than what would stop it again, beside the reserve file.
func (w *writer) enough() error {
	reserve := w.j.reserve.Load()
	if reserve == 0 || !aboutSpace(w.stopped) {
		return nil
	}
	free, err := w.j.o.free(w.j.o.Dir)
	if err != nil {
		return nil
	}
	need := reserve + reserve/2
	if w.room.kept == 0 {
		need += reserve
	}
	if free < need {
		return &noRoom{w.j.o.Dir, free, reserve}
	}
	if w.keepReserve(reserve); w.room.kept != reserve {
		return fmt.Errorf("the reserve file cannot be made again: %w", sqlite3.FULL)
	}
	return nil
}

// keepReserve makes the reserve file as large as it should be. That it cannot be made is said, and stops nothing by itself.
func (w *writer) keepReserve(size uint64) {
	if size == 0 {
		w.giveUpReserve()
		return
	}
	if err := makeReserve(in(w.j.o.Dir, reserveName), size); err != nil {
		w.j.o.Log.Warn("the reserve file of the journal cannot be made", "dir", w.j.o.Dir, "error", err)
		w.giveUpReserve()
		w.room.again = time.Now().Add(time.Minute)
		return
	}
	w.room.kept = size
}

func (w *writer) giveUpReserve() {
	if err := os.Remove(in(w.j.o.Dir, reserveName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		w.j.o.Log.Warn("the reserve file of the journal cannot be given up", "dir", w.j.o.Dir, "error", err)
		return
	}
	w.room.kept = 0
}

// makeReserve makes a file whose space is really taken up: a file of holes would keep nothing.
func makeReserve(name string, size uint64) (err error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if is, err := f.Stat(); err != nil || uint64(is.Size()) == size && taken(is) >= size {
		return err
	}
	if err := f.Truncate(0); err != nil {
		return err
	}
	if err := allocate(f, int64(size)); err != nil {
		return err
	}
	return f.Sync()
}

// zeros takes up space on systems that have no other way.
func zeros(f *os.File, size int64) error {
	piece := make([]byte, 1<<20)
	for at := int64(0); at < size; at += int64(len(piece)) {
		if _, err := f.WriteAt(piece[:min(int64(len(piece)), size-at)], at); err != nil {
			return err
		}
	}
	return nil
}

// lastWords records why recording stops, when it stops for want of space: with what is left, or with what the reserve file
// held.
func (w *writer) lastWords(cause error) {
	if !aboutSpace(cause) || w.reopen {
		return
	}
	body := w.notice(Notice{Stopped: true, Cause: cause, Since: w.since})
	if body == nil {
		return
	}
	err := w.record(body)
	if err != nil && !w.reopen && w.room.kept > 0 {
		w.giveUpReserve()
		err = w.record(body)
	}
	if err != nil {
		w.j.o.Log.Warn("that recording stopped could not be recorded", "dir", w.j.o.Dir, "error", err)
	}
}

// notice asks for the entry.
func (w *writer) notice(n Notice) record.Body {
	if w.j.o.Notice == nil {
		return nil
	}
	if n.Reserve = w.j.reserve.Load(); !aboutSpace(n.Cause) {
		n.Reserve = 0
	}
	if free, err := w.j.o.free(w.j.o.Dir); err == nil && n.Reserve > 0 {
		n.Free = free
	}
	return w.j.o.Notice(n)
}

// record commits an entry of the writer's own.
func (w *writer) record(bodies ...record.Body) error {
	d := newDraft(&w.state, w.j.o.Site)
	if _, err := d.add(bodies); err != nil {
		return err
	}
	if err := w.write(d, map[string]uint64{}, nil, nil); err != nil {
		return err
	}
	w.take(d, nil)
	return nil
}
