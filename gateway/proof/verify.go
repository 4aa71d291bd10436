package proof

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Verified is what a proof has shown: with the key given, and nothing else taken on trust, these bytes were the entry at
// this place of the journal Checkpoint.Origin when the key in SignedBy signed the checkpoint.
type Verified struct {
	Entry      record.Entry
	Checkpoint Checkpoint
	Key        string   // id of the key that was given
	SignedBy   string   // id of the key that signed the checkpoint
	Through    []string // ids of the keys that led from Key to SignedBy, both included; empty where they are the same
	// TimeStamp is the token that the proof carries, unexamined, or nil.
	TimeStamp []byte
}

// Verify holds a proof against a public key that the caller trusts: one that was kept, not the one inside the proof. It
// accepts an earlier key of the journal when the proof carries the notes by which each key vouched for the next. Errors are
// sentences; *NeedsKey says that the proof may be good and another key is needed to tell.
func (p Proof) Verify(key note.Verifier) (Verified, error) {
	signer, through, err := p.follow(key)
	if err != nil {
		return Verified{}, err
	}
	c, err := Open(p.Checkpoint, signer)
	if err != nil {
		return Verified{}, fmt.Errorf("the checkpoint of the proof does not hold: %w", err)
	}
	if c.Origin != signer.Name() {
		return Verified{}, fmt.Errorf("the checkpoint is of %q, and the key that signed it is of %q", c.Origin, signer.Name())
	}
	if p.Index >= c.Size {
		return Verified{}, fmt.Errorf("the checkpoint covers %d entries, and the proof is of entry %d", c.Size, p.Index+1)
	}
	err = tlog.CheckRecord(p.Hashes, int64(c.Size), c.Root, int64(p.Index), tlog.RecordHash(p.Entry))
	if err != nil {
		return Verified{}, errors.New("the entry in the proof is not the one that is in the journal at that place: its hash does not " +
			"lead to the root that was signed")
	}
	e, err := record.ParseEntry(p.Entry)
	if err != nil {
		return Verified{}, fmt.Errorf("the proof holds, but its entry cannot be understood: %w", err)
	}
	if e.Seq != p.Index+1 {
		return Verified{}, fmt.Errorf("the entry says that it is number %d of its journal, and it stands at number %d", e.Seq, p.Index+1)
	}
	return Verified{Entry: e, Checkpoint: c, Key: KeyID(key), SignedBy: KeyID(signer), Through: through, TimeStamp: p.TimeStamp}, nil
}

// follow goes from the given key to the one that signed the checkpoint, by what each key signed for the next.
func (p Proof) follow(key note.Verifier) (signer note.Verifier, through []string, err error) {
	return Follow(key, p.Key, p.Vouched)
}

// Follow goes from a key that is trusted to the one that a text names, by the notes in which each key vouched for the next one, oldest
// first. through are the ids of the keys on the way, both ends included, and nil where they are the same. *NeedsKey: nothing leads there.
func Follow(key note.Verifier, named string, vouched [][]byte) (signer note.Verifier, through []string, err error) {
	if sameKey(key, named) {
		return key, nil, nil
	}
	at, through := key, []string{KeyID(key)}
	for _, signed := range vouched {
		text, err := OpenVouch(signed, at)
		var other *NotSigned
		if errors.As(err, &other) && len(through) == 1 {
			continue // a change before the one that the given key knows of
		}
		if err != nil {
			return nil, nil, fmt.Errorf("the proof carries a change of key that does not hold: %w", err)
		}
		if at, err = ParseKey(text); err != nil {
			return nil, nil, err
		}
		through = append(through, KeyID(at))
		if sameKey(at, named) {
			return at, through, nil
		}
	}
	other, err := ParseKey(named)
	if err != nil {
		return nil, nil, fmt.Errorf("the key that is named cannot be read: %w", err)
	}
	return nil, nil, &NeedsKey{Given: KeyID(key), Needed: KeyID(other)}
}

// sameKey says whether a text is that of a key, by its id. The id has four bytes of a hash only, so what is then used to
// check a signature is always the key, never the text.
func sameKey(key note.Verifier, text string) bool {
	other, err := note.NewVerifier(text)
	return err == nil && KeyID(other) == KeyID(key)
}

// NeedsKey says that a checkpoint was signed by a key to which nothing leads from the one that was given.
type NeedsKey struct{ Given, Needed string }

func (e *NeedsKey) Error() string {
	return fmt.Sprintf("the checkpoint of this proof is signed by %s, and nothing in it leads there from the key %s: to verify it, get "+
		"the public key %s from somebody you trust, and give it with --key", e.Needed, e.Given, e.Needed)
}
