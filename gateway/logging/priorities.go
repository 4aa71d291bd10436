package logging

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"sync"
)

// priorities is a handler for systemd's journal: each line begins with its priority in angle brackets (sd-daemon(3), the
// numbers of syslog), and carries no time.
type priorities struct {
	next slog.Handler
	out  *marked
}

// marked is a writer that puts a mark before each line. A handler of slog writes a line in one call.
type marked struct {
	mu   sync.Mutex // held from the choice of the mark to the end of the line
	w    io.Writer
	mark string
	line []byte
}

func (m *marked) Write(p []byte) (int, error) {
	m.line = append(append(m.line[:0], m.mark...), p...)
	if _, err := m.w.Write(m.line); err != nil {
		return 0, err
	}
	return len(p), nil
}

func newPriorities(w io.Writer, format string, level slog.Leveler) *priorities {
	out := &marked{w: w}
	return &priorities{out: out, next: newHandler(out, format, &slog.HandlerOptions{Level: level, ReplaceAttr: withoutTime})}
}

func withoutTime(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

func (h *priorities) Enabled(ctx context.Context, l slog.Level) bool { return h.next.Enabled(ctx, l) }

func (h *priorities) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &priorities{next: h.next.WithAttrs(attrs), out: h.out}
}

func (h *priorities) WithGroup(group string) slog.Handler {
	return &priorities{next: h.next.WithGroup(group), out: h.out}
}

// Handle writes the record with its mark.
func (h *priorities) Handle(ctx context.Context, r slog.Record) error {
	h.out.mu.Lock()
	defer h.out.mu.Unlock()
	h.out.mark = fmt.Sprintf("<%d>", priority(r.Level))
	return h.next.Handle(ctx, r)
}

// priority is the syslog number of a level (RFC 5424, table 2): error 3, warning 4, informational 6, debug 7.
func priority(l slog.Level) int {
	switch {
	case l >= slog.LevelError:
		return 3
	case l >= slog.LevelWarn:
		return 4
	case l >= slog.LevelInfo:
		return 6
	}
	return 7
}
