package record

import "time"

// Sealed says that the bytes of a span of entries are in a segment from now on, a file of its own. Their hashes stay in the
// journal, and with them ids, numbers and proofs.
type Sealed struct {
	Head
	First   uint64 `json:"first"`   // sequence of the first entry of the segment
	Last    uint64 `json:"last"`    // of the last
	Entries uint64 `json:"entries"` // how many
	File    string `json:"file"`    // its name
	Bytes   int64  `json:"bytes"`   // its size
	SHA256  string `json:"sha256"`  // of the file, hexadecimal, as sha256sum prints it
	// Description is the name of the file beside it that ties it to the checkpoint, and DescriptionSHA256 that file's hash.
	Description       string       `json:"description"`
	DescriptionSHA256 string       `json:"description_sha256"`
	Copies            []SealedCopy `json:"copies"`     // empty: there is none but the journal's own
	Checkpoint        string       `json:"checkpoint"` // the signed note that covers the segment
	// From and To are the stamps of the oldest and the newest of its entries as far as their clock can be trusted.
	From   *UTC   `json:"from,omitempty"`
	To     *UTC   `json:"to,omitempty"`
	Rule   string `json:"rule"` // a sentence: what made these entries ready to be sealed
	Reason string `json:"reason,omitempty"`
	By     Actor  `json:"by"`
	Stamp  Stamp  `json:"stamp"`
}

// SealedCopy is one copy of a segment that was read back and found to be the same bytes.
type SealedCopy struct {
	Where    string `json:"where"`    // a folder, or a sink with its destination
	Verified UTC    `json:"verified"` // when it was read back
}

func (s *Sealed) Kind() Kind      { return KindSealed }
func (s *Sealed) Subject() string { return "" }
func (s *Sealed) Time() time.Time { return s.Stamp.UTC.Time() }
