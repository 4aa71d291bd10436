package journal

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// slowStep is how many entries are read between two rests.
const slowStep = 256

// slow is how a verifier goes easy on the computer.
type slow struct {
	share func() int // percent of the time that it may work
	began time.Time  // the step in hand
}

var errFaulty = errors.New("a fault was found")

// rest waits so long that the last step was no more than its share of the time. It takes the time that passed for work, which
// is more than the processor had.
func (s *slow) rest(ctx context.Context) error {
	share := time.Duration(min(100, max(1, s.share())))
	wait := time.Since(s.began) * (100 - share) / share
	if wait > 0 {
		pause := time.NewTimer(wait)
		defer pause.Stop()
		select {
		case <-pause.C:
		case <-ctx.Done():
		}
	}
	s.began = time.Now()
	return ctx.Err()
}

// VerifySlowly is Verify while the journal is written, with no more than a share of one processor core, in percent. told hears
// how far it has come; both are asked again and again. What it reports is not yet certain: on a pass that takes long the
// journal goes on below it (a key is replaced, entries are sealed). Whoever is to act on a fault confirms it with Confirm.
func (j *Journal) VerifySlowly(ctx context.Context, share func() int, told func(entries uint64)) (Report, error) {
	v := &verifier{disk: j.o.disk, dir: j.o.Dir, slow: &slow{share: share, began: time.Now()},
		progress: func(done, _ uint64) { told(done) }}
	if err := v.run(ctx, "", true); err != nil && !errors.Is(err, errFaulty) {
		return v.report, err
	}
	v.report.Verified = len(v.report.Faults) == 0
	return v.report, nil
}

// Confirm verifies at full speed, twice if need be, and gives the first fault that is there both times, or nil.
func (j *Journal) Confirm(ctx context.Context) (*Fault, error) {
	var before []Fault
	for i := range 2 {
		r, err := verifyOn(ctx, j.o.disk, j.o.Dir, "", nil)
		if err != nil {
			return nil, err
		}
		if len(r.Faults) == 0 {
			return nil, nil
		}
		if i == 0 {
			before = r.Faults
			continue
		}
		for _, f := range r.Faults {
			for _, b := range before {
				if f == b {
					return &f, nil
				}
			}
		}
	}
	return nil, nil
}

// verifiedMark is where journal.db keeps how far the last whole pass came.
const verifiedMark = "verified"

// Background says how far the journal was verified while it was written.
type Background struct {
	Entries uint64    `json:"entries"` // up to here, in one pass, without a fault
	At      time.Time `json:"at"`      // the end of that pass, by the computer's clock
}

// NoteVerified keeps how far a whole pass came, for whoever verifies the journal later. Errors are those of Append.
func (j *Journal) NoteVerified(ctx context.Context, b Background) error {
	_, err := j.ask(ctx, &request{verified: fmt.Sprintf("%d %s", b.Entries, b.At.UTC().Format(time.RFC3339))})
	return err
}

// noteVerified keeps it. It is no entry, and worth no stop.
func (w *writer) noteVerified(mark string) error {
	return transact(w.store.db, func() error { return putMeta(w.store.db, verifiedMark, mark) })
}

func parseBackground(mark string) (*Background, error) {
	entries, at, found := strings.Cut(mark, " ")
	n, err := strconv.ParseUint(entries, 10, 64)
	t, bad := time.Parse(time.RFC3339, at)
	if err = errors.Join(err, bad); err != nil || !found {
		return nil, fmt.Errorf("%q is no pass", mark)
	}
	return &Background{n, t}, nil
}
