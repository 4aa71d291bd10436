package support

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// errNoDaemon says that what only a daemon knows is not there.
var errNoDaemon = errors.New("no daemon runs that could be asked")

func (o *Options) ask(ctx context.Context, path string) ([]byte, error) {
	if o.Ask == nil {
		return nil, errNoDaemon
	}
	limit, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	return o.Ask(limit, path)
}

// answer asks the daemon for JSON, and packs what into holds of it.
func (o *Options) answer(ctx context.Context, path string, into any) ([]byte, error) {
	b, err := o.ask(ctx, path)
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(b, into); err != nil {
		return nil, fmt.Errorf("the daemon's answer cannot be read: %w", err)
	}
	return pretty(into)
}

func conditions(ctx context.Context, o *Options) ([]byte, error) {
	b, err := o.ask(ctx, "/readyz")
	if err != nil {
		return nil, err
	}
	var ready struct {
		Ready      bool               `json:"ready"`
		Conditions []health.Condition `json:"conditions"`
	}
	if err := json.Unmarshal(b, &ready); err != nil {
		return nil, fmt.Errorf("the daemon's answer cannot be read: %w", err)
	}
	for i, c := range ready.Conditions {
		ready.Conditions[i] = withoutPeople(c)
	}
	return pretty(ready)
}

func metrics(ctx context.Context, o *Options) ([]byte, error) {
	b, err := o.ask(ctx, "/metrics")
	var clean bytes.Buffer
	for line := range strings.Lines(string(b)) {
		clean.WriteString(measured(strings.TrimSuffix(line, "\n")) + "\n")
	}
	return clean.Bytes(), err
}

// destinations are the daemon's sinks without what people said of them.
func destinations(ctx context.Context, o *Options) ([]byte, error) {
	return o.answer(ctx, "/api/v1/deliveries", &struct {
		Sinks []struct {
			ID          string      `json:"id"`
			Kind        string      `json:"kind"`
			State       string      `json:"state"`
			Why         string      `json:"why,omitempty"`
			Remedy      string      `json:"remedy,omitempty"`
			Where       string      `json:"where"`
			Delivered   uint64      `json:"delivered"`
			Parked      uint64      `json:"parked"`
			Lag         uint64      `json:"lag"`
			Waiting     uint64      `json:"waiting"`
			AtLeast     bool        `json:"at_least,omitempty"`
			Oldest      string      `json:"oldest,omitempty"`
			PerMinute   float64     `json:"per_minute"`
			BehindSince *record.UTC `json:"behind_since,omitempty"`
			LastSuccess *record.UTC `json:"last_success,omitempty"`
			LastError   string      `json:"last_error,omitempty"`
			FailedAt    *record.UTC `json:"failed_at,omitempty"`
			NextTry     *record.UTC `json:"next_try,omitempty"`
		} `json:"sinks"`
		Head uint64 `json:"head"`
	}{})
}

func clock(ctx context.Context, o *Options) ([]byte, error) {
	return o.answer(ctx, "/api/v1/clock", &map[string]any{})
}

func goroutines(ctx context.Context, o *Options) ([]byte, error) { return o.ask(ctx, "/goroutines") }

func ports(ctx context.Context, _ *Options) ([]byte, error) {
	all, err := port.List(ctx)
	if err != nil {
		return nil, err
	}
	return pretty(all)
}

// mostLog is how much of a log is read, and mostLines how many of its last lines are packed.
const (
	mostLog   = 4 << 20
	mostLines = 2000
)

func logLines(ctx context.Context, o *Options) ([]byte, error) {
	text, err := tail(o.Log)
	if o.Log == "" {
		text, err = systemdLog(ctx)
	}
	if err != nil {
		return nil, err
	}
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	lines = lines[max(0, len(lines)-mostLines):]
	var b bytes.Buffer
	others := 0
	for _, line := range lines {
		clean, ok := lineOf(line)
		if !ok {
			others++
			continue
		}
		b.WriteString(clean + "\n")
	}
	if others > 0 {
		fmt.Fprintf(&b, "(%d lines that are not of weighpost's log are left out)\n", others)
	}
	return b.Bytes(), nil
}

// tail reads the end of a file.
func tail(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	f, err := os.Open(file)
	if err != nil {
		return "", fmt.Errorf("the log cannot be read: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", err
	}
	b := make([]byte, min(info.Size(), mostLog))
	n, err := f.ReadAt(b, info.Size()-int64(len(b)))
	if n < len(b) && err != nil {
		return "", fmt.Errorf("the log cannot be read: %w", err)
	}
	return string(b[:n]), nil
}

// systemdLog asks systemd's journal for the last lines of the service. Each has its time in front, as slog would have it.
func systemdLog(ctx context.Context) (string, error) {
	if runtime.GOOS != "linux" {
		return "", errors.New("on this system the log is where the service manager puts it: name it with --log")
	}
	limit, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	out, err := exec.CommandContext(limit, "journalctl", "--unit", "weighpost.service", "--lines", fmt.Sprint(mostLines), "--output", "json", "--no-pager").Output()
	if err != nil {
		return "", fmt.Errorf("systemd's journal cannot be asked (%w): where the log goes elsewhere, name its file with --log", err)
	}
	text := fromSystemd(out)
	if text == "" {
		return "", errors.New("systemd's journal has nothing of weighpost.service: where the log goes elsewhere, name its file with --log; to read it you need root or the group systemd-journal")
	}
	return text, nil
}

// fromSystemd makes lines of what journalctl gives as JSON (systemd.journal-fields(7)).
func fromSystemd(out []byte) string {
	var b strings.Builder
	for line := range bytes.Lines(out) {
		var entry struct {
			Message  any    `json:"MESSAGE"`
			Realtime string `json:"__REALTIME_TIMESTAMP"`
		}
		if json.Unmarshal(line, &entry) != nil {
			continue
		}
		text, ok := entry.Message.(string)
		if !ok {
			continue // bytes that are no text
		}
		var usec int64
		if _, err := fmt.Sscan(entry.Realtime, &usec); err == nil && strings.HasPrefix(text, "level=") {
			text = "time=" + time.UnixMicro(usec).UTC().Format(time.RFC3339Nano) + " " + text
		}
		b.WriteString(text + "\n")
	}
	return b.String()
}
