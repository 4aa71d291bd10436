package print

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"

	"weighpost/sinks"
)

// spooler hands documents to lp (POSIX.1, lp: -d names the queue, -t the title, - is standard input), which says the job's id
// once the spooler has it.
type spooler struct{ cfg *Config }

func (w *spooler) close() {}

// requestID is what lp says: "request id is lab-12 (1 file(s))".
var requestID = regexp.MustCompile(`request id is (\S+)`)

func (w *spooler) send(ctx context.Context, d document) (given string, maybe bool, err error) {
	if strings.ContainsRune(d.id, 0) { // no system hands that to a command
		return "", false, sinks.Refused{Err: fmt.Errorf("the id %q holds a NUL, and lp cannot be given such a title: print it by ipp", d.id)}
	}
	ctx, cancel := context.WithTimeout(ctx, w.cfg.Timeout.D())
	defer cancel()
	args := w.server()
	args = append(args, "-d", w.cfg.Queue, "-t", d.id, "-o", "document-format="+d.kind, "-")
	out, said, err := run(ctx, "lp", args, d.body)
	if err == nil {
		if m := requestID.FindStringSubmatch(out); m != nil {
			return m[1], false, nil
		}
		return "", true, fmt.Errorf("lp did not say which number the job has: %.200q", out)
	}
	return "", ctx.Err() != nil, w.judge(ctx, err, said)
}

func (w *spooler) server() []string {
	if w.cfg.Server == "" {
		return nil
	}
	return []string{"-h", w.cfg.Server}
}

// judge sorts what lp said. That there is no such queue is also what it says of a spooler that does not run.
func (w *spooler) judge(ctx context.Context, err error, said string) error {
	why := fmt.Errorf("lp says: %.300s", strings.TrimSpace(said))
	lower := strings.ToLower(said)
	switch {
	case errors.Is(err, exec.ErrNotFound):
		return sinks.Unusable{Err: errors.New("the command lp is not installed")}
	case ctx.Err() != nil:
		return fmt.Errorf("the spooler did not take the job in time: %w", ctx.Err())
	case strings.Contains(lower, "not accepting"):
		return sinks.Busy{Err: why, After: again}
	case strings.Contains(lower, "does not exist"):
		return w.missing(ctx, why)
	case strings.Contains(lower, "unsupported document-format"), strings.Contains(lower, "forbidden"), strings.Contains(lower, "not authorized"):
		return sinks.Unusable{Err: why}
	case said == "":
		return fmt.Errorf("lp failed: %w", err)
	}
	return why
}

// missing finds out what it means that lp knows no such queue, which it also says of a spooler that does not run: only where the spooler
// runs, and itself does not know the queue, and still runs, is a person needed. One that is just being started is waited for.
func (w *spooler) missing(ctx context.Context, why error) error {
	if !w.runs(ctx) {
		return errors.New("the spooler is not running")
	}
	if _, _, err := run(ctx, "lpstat", append(w.server(), "-p", w.cfg.Queue), nil); err == nil {
		return fmt.Errorf("the spooler was not running just now: %w", why)
	}
	if !w.runs(ctx) {
		return errors.New("the spooler is not running")
	}
	return sinks.Unusable{Err: why}
}

// runs asks whether the spooler is there.
func (w *spooler) runs(ctx context.Context) bool {
	out, _, err := run(ctx, "lpstat", append(w.server(), "-r"), nil)
	return err == nil && strings.Contains(out, "is running")
}

// mostSaid bounds what is kept of what a command says.
const mostSaid = 4 << 10

// run runs a command without a shell, in the language that its words are known in.
func run(ctx context.Context, name string, args []string, in []byte) (out, said string, err error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "LANGUAGE=C")
	cmd.Stdin = bytes.NewReader(in)
	var o, e capped
	cmd.Stdout, cmd.Stderr = &o, &e
	cmd.WaitDelay = again // a child of its own may hold the pipes
	err = cmd.Run()
	return o.String(), e.String(), err
}

// capped keeps the first mostSaid bytes.
type capped struct{ bytes.Buffer }

func (c *capped) Write(p []byte) (int, error) {
	if room := mostSaid - c.Len(); room > 0 {
		c.Buffer.Write(p[:min(room, len(p))])
	}
	return len(p), nil
}
