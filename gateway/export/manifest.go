package export

import (
	"fmt"
	"strconv"

	"weighpost/gateway/record"
)

// ManifestSchema names the form of a manifest. It grows by new members only.
const ManifestSchema = "weighpost.export/1"

// ManifestSuffix is what a manifest's name has after that of its file.
const ManifestSuffix = ".manifest.json"

// Manifest says what a file holds, where it is from, and how to tell that it is whole.
type Manifest struct {
	Schema      string `json:"schema"`
	File        string `json:"file,omitempty"` // name of the file; absent where the export went to a pipe
	Format      Format `json:"format"`
	Spreadsheet bool   `json:"spreadsheet,omitempty"`
	Bytes       int64  `json:"bytes"`
	SHA256      string `json:"sha256"` // of the file, hex

	Filter string `json:"filter"` // a sentence: which entries were chosen
	Query  string `json:"query"`  // the same in the form that the API takes; empty: all entries

	Site        string `json:"site"`
	Origin      string `json:"origin"` // name of the journal's tree in its checkpoints
	Incarnation string `json:"incarnation"`
	Head        uint64 `json:"head"`     // entries that the journal had when the export began: none after them was looked at
	Entries     uint64 `json:"entries"`  // in the file
	LeftOut     uint64 `json:"left_out"` // of those up to Head, by the filter
	First       uint64 `json:"first"`    // sequence of the first entry in the file; 0 where there is none
	Last        uint64 `json:"last"`
	// IDs is the SHA-256 over the ids of the entries in their order, each with a line end (0x0A), hex.
	IDs string `json:"ids_sha256"`
	// Leaves is the SHA-256 over the leaf hashes (RFC 6962 section 2.1: SHA-256 of 0x00 and the entry's exact bytes) of the
	// entries in their order, hex.
	Leaves string `json:"leaves_sha256"`

	// Checkpoint is the journal's newest signed checkpoint up to Head (C2SP tlog-checkpoint); empty where it had none.
	Checkpoint string `json:"checkpoint,omitempty"`
	Signed     uint64 `json:"signed"` // entries of the journal that Checkpoint covers
	// Key is the id of the key that signed it: name+hash. The signature shows something only to whoever has the key from elsewhere.
	Key string `json:"key,omitempty"`
	// Beyond is how many entries in the file came after Checkpoint: nothing signed covers them yet.
	Beyond uint64 `json:"beyond_checkpoint"`

	Made    record.UTC `json:"made"`    // by the clock of the computer that made it
	Version string     `json:"version"` // of the weighpost that made it
}

// Counts tells in a sentence how many entries of how many there are.
func (m *Manifest) Counts() string {
	text := fmt.Sprintf("%s of the %s that the journal had when the export began; the filter left out %d.",
		count(m.Entries, "entry", "entries"), count(m.Head, "entry", "entries"), m.LeftOut)
	if m.LeftOut == 0 {
		text = fmt.Sprintf("All %s that the journal had when the export began.", count(m.Head, "entry", "entries"))
	}
	return text
}

// Covered tells in a sentence what the checkpoint says of the entries.
func (m *Manifest) Covered() string {
	switch {
	case m.Checkpoint == "":
		return "No checkpoint was signed yet: nothing signed covers these entries."
	case m.Beyond == 0:
		return fmt.Sprintf("The checkpoint covers the journal's first %d entries, and with them all that are listed.", m.Signed)
	}
	return fmt.Sprintf("The checkpoint covers the journal's first %d entries. The last %s listed came later, and nothing signed "+
		"covers them yet.", m.Signed, count(m.Beyond, "entry", "entries"))
}

func count(n uint64, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.FormatUint(n, 10) + " " + more
}
