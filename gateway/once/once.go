// Package once remembers what was answered to requests that carry a key of their sender's (Idempotency-Key), so that the same
// request sent again gets the same answer and is not carried out again. It is a file beside the journal: one JSON object a line,
// written and synced before the answer goes out, readable by its owner only.
//
// It is a memory of answers and not the proof of acts: that is the journal, whose entries carry the request's mark
// (record.RequestMark). Whoever finds no answer here looks there before anything is carried out. So a line that is lost or
// damaged, and one that had to make room, cost an answer's wording and never a second act.
package once

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// FileName is the name of the file in the journal's folder.
const FileName = "answers.ndjson"

// How much is remembered: answers for Keep at least, unless there are more than most or than mostBytes of them; then the oldest make room.
const (
	Keep      = 24 * time.Hour
	most      = 20_000
	mostBytes = 16 << 20
	largest   = 64 << 10 // bytes of one answer's body
)

// ErrLarge says that an answer is too large to be remembered.
var ErrLarge = errors.New("the answer is too large to be remembered")

// Answer is what was answered to a request.
type Answer struct {
	Mark   string            `json:"mark"` // of the request: record.RequestMark
	At     time.Time         `json:"at"`
	Status int               `json:"status"`
	Header map[string]string `json:"header,omitempty"`
	Body   []byte            `json:"body,omitempty"`
}

// Memory is the file. Its methods may be called from any goroutine.
type Memory struct {
	path string
	log  *slog.Logger
	now  func() time.Time

	mu    sync.Mutex
	file  *os.File
	size  int64
	known map[string]Answer    // by the key half of the mark
	order []string             // keys, the oldest first
	open  map[string]time.Time // keys of requests that are being carried out, or of which it is not known what became: since when
	loose map[string]bool      // the latter
}

// Open reads the file in a folder, or makes it.
func Open(dir string, log *slog.Logger) (*Memory, error) {
	m := &Memory{path: filepath.Join(dir, FileName), log: log, now: time.Now, known: map[string]Answer{}, open: map[string]time.Time{}, loose: map[string]bool{}}
	if err := m.load(); err != nil {
		return nil, err
	}
	return m, m.rewrite()
}

// Close closes the file.
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.file == nil {
		return nil
	}
	defer func() { m.file = nil }()
	return m.file.Close()
}

func (m *Memory) load() error {
	f, err := os.Open(m.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	bad := 0
	lines := bufio.NewReader(io.LimitReader(f, 4*mostBytes))
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			var a Answer
			if json.Unmarshal(line, &a) != nil || keyOf(a.Mark) == "" || a.Status < 100 || a.Status > 599 || err != nil {
				bad++ // cut off by a power failure, or damaged: the journal knows of the act
			} else {
				m.put(a)
			}
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
	}
	if bad > 0 {
		m.log.Warn("remembered answers to requests cannot be read; their acts are found in the journal", "file", m.path, "lines", bad)
	}
	return nil
}

func keyOf(mark string) string {
	key, _, cut := strings.Cut(mark, "-")
	if !cut {
		return ""
	}
	return key
}

func (m *Memory) put(a Answer) {
	key := keyOf(a.Mark)
	if _, again := m.known[key]; again {
		m.order = slices.DeleteFunc(m.order, func(k string) bool { return k == key })
	}
	m.known[key] = a
	m.order = append(m.order, key)
	m.size += int64(len(a.Body)) + 256
}

// trim forgets what is older than Keep where more than half of the room is taken, and the oldest where all of it is.
func (m *Memory) trim() {
	old := m.now().Add(-Keep)
	for len(m.order) > 0 {
		first := m.known[m.order[0]]
		over := len(m.order) > most || m.size > mostBytes
		if !over && !first.At.Before(old) {
			return
		}
		delete(m.known, m.order[0])
		m.order = m.order[1:]
		m.size -= int64(len(first.Body)) + 256
	}
}

// rewrite writes what is remembered into a new file, which takes the place of the old one once it is whole.
func (m *Memory) rewrite() error {
	m.trim()
	var all bytes.Buffer
	for _, key := range m.order {
		line, err := json.Marshal(m.known[key])
		if err != nil {
			return err
		}
		all.Write(append(line, '\n'))
	}
	next := m.path + ".new"
	f, err := os.OpenFile(next, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(all.Bytes())
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if m.file != nil { // no system keeps an open file from being replaced then
		_ = m.file.Close()
		m.file = nil
	}
	if err := os.Rename(next, m.path); err != nil {
		return err
	}
	m.file, err = os.OpenFile(m.path, os.O_WRONLY|os.O_APPEND, 0o600)
	return err
}

// State says what is known of a request.
type State int

// The states of a request.
const (
	New       State = iota // nothing is known of it, and it is now under way: Keep, Forget or Loose ends that
	Answered               // the same was answered
	Other                  // the key was sent with another request
	UnderWay               // it is being carried out
	Unsettled              // it was carried out or not, and is now under way again, as for New
)

// Begin says what is known of the request with a mark. For Unsettled, since is when that came about.
func (m *Memory) Begin(mark string) (s State, a Answer, since time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	key := keyOf(mark)
	if a, known := m.known[key]; known && m.now().Sub(a.At) < 2*Keep {
		if a.Mark != mark {
			return Other, Answer{}, since
		}
		return Answered, a, since
	}
	since, open := m.open[key]
	switch {
	case open && !m.loose[key]:
		return UnderWay, Answer{}, since
	case open:
		delete(m.loose, key)
		return Unsettled, Answer{}, since
	}
	m.open[key] = m.now()
	return New, Answer{}, since
}

// Forget ends a request for which nothing was done.
func (m *Memory) Forget(mark string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.open, keyOf(mark))
	delete(m.loose, keyOf(mark))
}

// Loose ends a request of which it is not known whether it was, or will be, carried out.
func (m *Memory) Loose(mark string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.loose) > most { // a journal that has not taken anything for long, and a sender that tries ever new keys
		for key := range m.loose {
			delete(m.loose, key)
			delete(m.open, key)
			break
		}
	}
	m.loose[keyOf(mark)] = true
}

// Keep remembers the answer to a request, and ends that. The answer is on the disk when it returns without an error; with one it
// is remembered until the end of the program.
func (m *Memory) Keep(a Answer) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.open, keyOf(a.Mark))
	delete(m.loose, keyOf(a.Mark))
	if len(a.Body) > largest {
		return ErrLarge
	}
	a.At = m.now().UTC()
	m.put(a)
	if m.file == nil {
		return os.ErrClosed
	}
	line, err := json.Marshal(a)
	if err != nil {
		return err
	}
	if len(m.order) > most || m.size > mostBytes {
		for len(m.order) > most/2 || m.size > mostBytes/2 { // so that this is not due at the next one again
			m.size -= int64(len(m.known[m.order[0]].Body)) + 256
			delete(m.known, m.order[0])
			m.order = m.order[1:]
		}
		return m.rewrite()
	}
	if _, err := m.file.Write(append(line, '\n')); err != nil {
		return fmt.Errorf("an answer cannot be remembered: %w", err)
	}
	return m.file.Sync()
}
