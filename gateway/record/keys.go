package record

import "time"

// Why a key was changed.
const (
	KeyRotatedByHand = "rotated"  // somebody asked for it
	KeyRestored      = "restored" // the journal went on from a backup
	KeyCloned        = "cloned"   // the journal woke up on another computer
	KeyLost          = "lost"     // the old key is gone: two people say so, and nobody's signature does
)

// KeyRotated says that checkpoints that cover this entry are signed by another key than those before it.
type KeyRotated struct {
	Head
	Origin string `json:"origin"`  // of the checkpoints from here on; the name of the new key
	OldKey string `json:"old_key"` // text of the public key so far: NAME+HASH+BASE64 (C2SP signed-note)
	NewKey string `json:"new_key"` // text of the public key from here on
	// Note is what the old key signed for the new one (C2SP signed-note); absent only where the old key is lost.
	Note  string `json:"note,omitempty"`
	Cause string `json:"cause"` // rotated, restored, cloned or lost
	By    Actor  `json:"by"`
	// ConfirmedBy is the second person, where the old key is lost.
	ConfirmedBy *Actor `json:"confirmed_by,omitempty"`
	Reason      string `json:"reason"`
	Stamp       Stamp  `json:"stamp"`
}

func (k *KeyRotated) Kind() Kind      { return KindKeyRotated }
func (k *KeyRotated) Subject() string { return "" }
func (k *KeyRotated) Time() time.Time { return k.Stamp.UTC.Time() }
