package secret

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"runtime"
)

// Work is how much one hash costs: whoever guesses, and us.
type Work struct {
	Passes  uint32 // t of RFC 9106
	MemoryK uint32 // m of RFC 9106, in KiB
	Lanes   uint8  // p of RFC 9106
}

// Now is the work that is asked of new hashes: the second recommended option of RFC 9106 section 4 (t=3, p=4, 64 MiB, with a
// salt of 128 bits and a tag of 256), which is above the least that OWASP's password storage cheat sheet names (19 MiB, t=2).
var Now = Work{Passes: 3, MemoryK: 64 << 10, Lanes: 4}

// ErrBusy says that too many secrets are being compared at once; nothing was compared, and nothing counts as wrong.
var ErrBusy = errors.New("too many people sign in at this moment: try again in a few seconds")

// Hasher hashes and compares, no more than a few at once: memory stays bounded whatever comes in.
type Hasher struct {
	work    Work
	running chan struct{} // one place for each hash that runs
	inside  chan struct{} // one place for each that runs or waits
	nobody  hashed        // compared where there is no account, so that it takes as long
}

// NewHasher makes a Hasher: at most atOnce hashes run, and at most waiting more wait for their turn.
func NewHasher(work Work, atOnce, waiting int) *Hasher {
	return &Hasher{
		work: work, running: make(chan struct{}, atOnce), inside: make(chan struct{}, atOnce+waiting),
		nobody: hashed{work: work, salt: make([]byte, saltLength), tag: make([]byte, tagLength)},
	}
}

// ours is the one of this process, because a bound of memory holds for a process. One hash uses as many threads as it has
// lanes, so that more at once would not be faster on a small computer; it holds 64 MiB, or 128.
var ours = NewHasher(Now, min(2, max(1, runtime.GOMAXPROCS(0)/int(Now.Lanes))), 64)

// Hash gives the PHC string of a secret with a fresh salt. ErrBusy, or the context's error, where it got no turn.
func Hash(ctx context.Context, secret string) (string, error) { return ours.Hash(ctx, secret) }

// Verify says whether a secret is the one of a hash. An empty hash is nobody's: the same work is done, and the answer is no.
// Stale: it is right, and was made with less work than is asked for now: hash it anew. An error says that nothing was compared:
// ErrBusy, the context's error, or a sentence about a hash that is damaged.
func Verify(ctx context.Context, hash, secret string) (ok, stale bool, err error) {
	return ours.Verify(ctx, hash, secret)
}

// Hash does what the function Hash does, with this Hasher's work.
func (h *Hasher) Hash(ctx context.Context, secret string) (string, error) {
	leave, err := h.enter(ctx)
	if err != nil {
		return "", err
	}
	defer leave()
	made := hashed{work: h.work, salt: make([]byte, saltLength), tag: make([]byte, tagLength)}
	if _, err := rand.Read(made.salt); err != nil {
		return "", fmt.Errorf("this computer gives no random numbers, and without them no secret can be kept: %w", err)
	}
	made.tag = made.tagOf(prepare(secret))
	return made.String(), nil
}

// Verify does what the function Verify does.
func (h *Hasher) Verify(ctx context.Context, hash, secret string) (ok, stale bool, err error) {
	kept, known := h.nobody, hash != ""
	if known {
		if kept, err = parsePHC(hash); err != nil {
			return false, false, fmt.Errorf("the stored hash of this account is damaged: have its secret reset (%w)", err)
		}
	}
	leave, err := h.enter(ctx)
	if err != nil {
		return false, false, err
	}
	defer leave()
	same := subtle.ConstantTimeCompare(kept.tagOf(prepare(secret)), kept.tag) == 1
	return same && known, same && known && kept.weaker(h.work), nil
}

// enter waits for a turn. leave gives it back.
func (h *Hasher) enter(ctx context.Context) (leave func(), err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	select {
	case h.inside <- struct{}{}:
	default:
		return nil, ErrBusy
	}
	select {
	case h.running <- struct{}{}:
		return func() { <-h.running; <-h.inside }, nil
	case <-ctx.Done():
		<-h.inside
		return nil, ctx.Err()
	}
}
