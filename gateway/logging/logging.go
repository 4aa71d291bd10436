// Package logging writes the daemon's log: lines of text or JSON on standard error, with a limit on repeats, so that a fault that
// comes back a thousand times a second fills neither the disk nor the screen. What is logged is for each room to say.
//
// Under systemd's journal each line begins with its priority (sd-daemon(3)) and leaves out the time, which the journal keeps.
package logging

import (
	"io"
	"log/slog"
	"os"
)

// Formats and levels.
const (
	Text = "text"
	JSON = "json"
)

var levels = map[string]slog.Level{"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}

// Config is how the log is written. The reader of the file refuses what is not in an enum.
type Config struct {
	Format string `yaml:"format" desc:"How the log's lines are written." enum:"text,json" default:"text"`
	Level  string `yaml:"level" desc:"What is logged at the least." enum:"debug,info,warn,error" default:"info"`
}

// Log is a log that can be set anew while it is written to.
type Log struct {
	*slog.Logger
	level   slog.LevelVar
	limiter *limiter
}

// New makes a log that writes to w. The format stays, the level can be set later. Close says what was still left out.
func New(w io.Writer, cfg Config) *Log {
	l := &Log{limiter: newLimiter()}
	l.SetLevel(cfg)
	var h slog.Handler
	if stream := os.Getenv("JOURNAL_STREAM"); stream != "" && isStream(w, stream) {
		h = newPriorities(w, cfg.Format, &l.level)
	} else {
		h = newHandler(w, cfg.Format, &slog.HandlerOptions{Level: &l.level})
	}
	l.Logger = slog.New(&limited{next: h, limiter: l.limiter})
	return l
}

// SetLevel sets what is logged at the least.
func (l *Log) SetLevel(cfg Config) { l.level.Set(levels[cfg.Level]) } // "" is info, which is 0

// Close writes the lines that say what was left out. The log can be used after it.
func (l *Log) Close() { l.limiter.flush() }

func newHandler(w io.Writer, format string, o *slog.HandlerOptions) slog.Handler {
	if format == JSON {
		return slog.NewJSONHandler(w, o)
	}
	return slog.NewTextHandler(w, o)
}
