package secret

import (
	"context"
	"errors"
	"time"
)

// ErrReused says that a password was used by this person before, where policy does not allow that.
var ErrReused = errors.New("this password was used before, and the lab's policy asks for another")

// Reused says whether a secret is the present one of a person or one of their last reuse former ones. It does the work of as
// many hashes as there are, one after the other.
func (h *Hasher) Reused(ctx context.Context, k Kept, secret string, reuse int) (bool, error) {
	if k.Hash == "" || reuse <= 0 {
		return false, nil
	}
	for _, hash := range append([]string{k.Hash}, k.Former[:min(len(k.Former), reuse)]...) {
		if ok, _, err := h.Verify(ctx, hash, secret); ok || err != nil {
			return ok, err
		}
	}
	return false, nil
}

// Reused does what the method does, with the work that is asked for now.
func Reused(ctx context.Context, k Kept, secret string, reuse int) (bool, error) {
	return ours.Reused(ctx, k, secret, reuse)
}

// SetPassword puts the hash of a new password into what is kept, and the one before it among the former ones.
func (k *Kept) SetPassword(hash string, at time.Time, reset bool) {
	if k.Hash != "" {
		k.Former = append([]string{k.Hash}, k.Former[:min(len(k.Former), MostFormer-1)]...)
	}
	k.Hash, k.Set, k.Reset = hash, at.UTC(), reset
}

// SetPIN puts the hash of a new PIN, of so many digits, into what is kept; "" ends it.
func (k *Kept) SetPIN(hash string, digits int, at time.Time) {
	k.PIN, k.PINLen, k.PINSet = hash, digits, at.UTC()
	if hash == "" {
		k.PINLen, k.PINSet = 0, time.Time{}
	}
}

// Expired says whether a password must be changed: it was set by somebody else, or is older than policy allows (0: any age).
func (k Kept) Expired(after time.Duration, now time.Time) bool {
	return k.Hash != "" && (k.Reset || after > 0 && now.Sub(k.Set) >= after)
}
