package tap

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/port/pty"
)

const (
	looking  = 50 * time.Millisecond // between two looks for a program
	linkLook = 20                    // looks between two at the link
)

// pseudo is a pseudo-terminal behind a link. A session lasts from when a program opens it until nobody has it open any more.
type pseudo struct {
	master *os.File
	slave  string
	link   string
	gone   chan struct{}
	once   sync.Once
	looks  int
	spoilt bool // at the last look, bytes were not left as they are
}

func openPseudoTerminal(link, group string) (door, error) {
	number := -1
	if group != "" {
		g, err := user.LookupGroup(group)
		if err != nil {
			return nil, &trouble{what: fmt.Sprintf("there is no group %q on this computer", group), remedy: "Make it, or correct group of the tap."}
		}
		if number, err = strconv.Atoi(g.Gid); err != nil {
			return nil, fmt.Errorf("the group %q has no number: %w", group, err)
		}
	}
	master, slave, err := pty.Open()
	if err != nil {
		return nil, &trouble{what: "no pseudo-terminal can be had", remedy: "See how many the system allows, and what else uses them.", err: err}
	}
	if err := pty.Allow(slave, number); err != nil {
		master.Close()
		return nil, &trouble{what: fmt.Sprintf("the pseudo-terminal cannot be given to the group %q", group),
			remedy: "Make the user that runs weighpost a member of the group, and restart it; under systemd see what its unit says of taps.", err: err}
	}
	if err := putLink(link, slave); err != nil {
		master.Close()
		return nil, err
	}
	return &pseudo{master: master, slave: slave, link: link, gone: make(chan struct{})}, nil
}

func (d *pseudo) next(ctx context.Context) (session, error) {
	if err := pty.Clean(d.slave); err != nil {
		return nil, &trouble{what: "the pseudo-terminal cannot be made ready for the next program", remedy: "See what the system says.", err: err}
	}
	if err := d.master.SetDeadline(time.Time{}); err != nil {
		return nil, err
	}
	tick := time.NewTicker(looking)
	defer tick.Stop()
	for {
		nobody, waiting, err := pty.Deserted(d.master)
		switch {
		case err != nil:
			return nil, err
		case !nobody || waiting:
			return &visit{pseudo: d}, nil
		}
		d.tidy()
		if d.looks++; d.looks%linkLook == 0 && !ourLink(d.link, d.slave) {
			return nil, &trouble{what: "the link was taken away", remedy: "See what takes it away."}
		}
		select {
		case <-tick.C:
		case <-d.gone:
			return nil, os.ErrClosed
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// tidy puts right what a program has set that came and went. It waits for a second look: one that has just come may be about
// to set something.
func (d *pseudo) tidy() {
	raw, err := pty.Raw(d.master)
	if d.spoilt && !raw {
		_ = pty.Restore(d.master)
	}
	d.spoilt = err == nil && !raw
}

func (d *pseudo) close() {
	d.once.Do(func() {
		close(d.gone)
		takeLink(d.link, d.slave)
		_ = d.master.Close()
	})
}

// visit is one session at a pseudo-terminal.
type visit struct {
	*pseudo
	over atomic.Bool
}

func (v *visit) Read(p []byte) (int, error) {
	n, err := v.master.Read(p)
	if n > 0 {
		return n, nil
	}
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) { // close was called
		err = io.EOF
	}
	return 0, err // EIO on Linux: nobody has it open
}

func (v *visit) Write(p []byte) (int, error) {
	if v.over.Load() {
		return 0, io.EOF
	}
	n, err := v.master.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = io.EOF
	}
	return n, err
}

func (v *visit) close() {
	v.over.Store(true)
	_ = v.master.SetDeadline(time.Unix(1, 0))
}
