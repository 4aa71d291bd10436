package logging

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
)

// Of lines that are alike, the first few of a minute are written. The rest become one line at its end: the last of them, with
// how many it stands for.
const (
	firstFew = 10
	window   = time.Minute
)

// mostKinds is how many kinds of lines are counted at the same time. Of what goes beyond, every line is written.
const mostKinds = 1024

// naming are the attributes that tell two lines of the same words apart: each balance, sink and port has its own count.
var naming = map[string]bool{"balance": true, "sink": true, "port": true, "code": true, "subject": true, "server": true, "dir": true}

// limited is a handler that writes the first few of lines that are alike.
type limited struct {
	next slog.Handler
	who  string // the naming attributes that all its lines have
	*limiter
}

type limiter struct {
	mu    sync.Mutex
	kinds map[string]*kind
}

// kind counts the lines that are alike, for a minute from the first.
type kind struct {
	written, left int
	last          slog.Record
	next          slog.Handler
	end           *time.Timer
}

func newLimiter() *limiter { return &limiter{kinds: make(map[string]*kind)} }

func (h *limited) Enabled(ctx context.Context, l slog.Level) bool { return h.next.Enabled(ctx, l) }

func (h *limited) WithAttrs(attrs []slog.Attr) slog.Handler {
	who := h.who
	for _, a := range attrs {
		who += name(a)
	}
	return &limited{next: h.next.WithAttrs(attrs), who: who, limiter: h.limiter}
}

func (h *limited) WithGroup(group string) slog.Handler {
	return &limited{next: h.next.WithGroup(group), who: h.who, limiter: h.limiter}
}

// Handle writes the record, or counts it.
func (h *limited) Handle(ctx context.Context, r slog.Record) error {
	if h.count(h.keyOf(r), r, h.next) {
		return h.next.Handle(ctx, r)
	}
	return nil
}

func (h *limited) keyOf(r slog.Record) string {
	var b strings.Builder
	b.WriteString(r.Level.String())
	b.WriteString(r.Message)
	b.WriteString(h.who)
	r.Attrs(func(a slog.Attr) bool {
		b.WriteString(name(a))
		return true
	})
	return b.String()
}

func name(a slog.Attr) string {
	if !naming[a.Key] {
		return ""
	}
	return "\x00" + a.Key + "\x00" + a.Value.String()
}

// count says whether the record is one of the first few of its kind.
func (l *limiter) count(key string, r slog.Record, next slog.Handler) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	k := l.kinds[key]
	if k == nil {
		if len(l.kinds) >= mostKinds {
			return true
		}
		k = &kind{}
		k.end = time.AfterFunc(window, func() { l.close(key, k) })
		l.kinds[key] = k
	}
	if k.written < firstFew {
		k.written++
		return true
	}
	k.left++
	k.last, k.next = r.Clone(), next
	return false
}

// close ends the minute of a kind. The next line like it begins another.
func (l *limiter) close(key string, k *kind) {
	l.mu.Lock()
	if l.kinds[key] == k {
		delete(l.kinds, key)
	}
	l.mu.Unlock()
	k.tell()
}

// tell writes the one line for those that were left out. Nobody counts on k any more.
func (k *kind) tell() {
	if k.left == 0 {
		return
	}
	k.last.AddAttrs(slog.Int("repeats", k.left))
	_ = k.next.Handle(context.Background(), k.last) // a log that cannot be written has nobody to tell
}

// flush ends the minute of every kind now.
func (l *limiter) flush() {
	l.mu.Lock()
	all := l.kinds
	l.kinds = make(map[string]*kind)
	l.mu.Unlock()
	for _, k := range all {
		if k.end.Stop() {
			k.tell()
		}
	}
}
