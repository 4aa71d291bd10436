package backup

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Format is what the manifest of a backup says that it is.
const Format = "weighpost.backup/1"

// The names of the parts, in their order; those below configFolder, and then those below keptPrefix, come
// between the public key and the secrets.
const (
	entriesName  = "entries.ndjson.gz"
	snapshotName = "snapshot.json"
	pubName      = "key.pub"
	configFolder = "config/"
	secretsName  = "secrets.age"
	manifestName = "backup.json"
	sumsName     = "SHA256SUMS"
)

// Bounds of what is read, in bytes but for maxParts. Entries have none: they are read one at a time.
const (
	maxParts    = mostKept + 512
	maxManifest = 16 << 20
	maxSnapshot = 64 << 20
	maxText     = 1 << 20 // a file of the configuration, the public key
	maxSecrets  = 16 << 20
	maxSums     = 8 << 20
)

// Manifest says what a backup holds. It is the part backup.json.
type Manifest struct {
	Format      string `json:"format"`
	Site        string `json:"site"`
	Incarnation string `json:"incarnation"`
	Origin      string `json:"origin"`
	Entries     uint64 `json:"entries"` // it holds the entries 1 to this
	Root        string `json:"root"`    // tree hash of these, base64 (RFC 6962 section 2.1)
	// Checkpoint is the signed note (C2SP tlog-checkpoint) of that tree.
	Checkpoint string          `json:"checkpoint"`
	Made       record.Stamp    `json:"made"`
	By         record.Actor    `json:"by"`
	Software   record.Software `json:"software"`
	Parts      []Part          `json:"parts"` // those before backup.json, in their order
	// Recipients can read the secrets: age's X25519 public keys.
	Recipients []string `json:"recipients"`
	Secrets    []string `json:"secrets"` // what is in secrets.age, in words
	// NotHeld says, a sentence each, what the backup does not hold and must be entered again after a restore.
	NotHeld []string `json:"not_held"`
}

// Part is one part of a backup.
type Part struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
	// From is where a file of the configuration was: as the configuration names it.
	From string `json:"from,omitempty"`
}

// configName is what a part below config/ may be called: elements of letters, digits and a few signs, none of them hidden.
var configName = regexp.MustCompile(`^config(/[A-Za-z0-9_][A-Za-z0-9._-]{0,99}){1,8}$`)

// order says why these names cannot be those of a backup, or nil.
func order(names []string) error {
	rank := func(name string) int {
		switch name {
		case entriesName:
			return 0
		case snapshotName:
			return 1
		case pubName:
			return 2
		case secretsName:
			return 5
		case manifestName:
			return 6
		case sumsName:
			return 7
		}
		if keptForm.MatchString(name) {
			return 4
		}
		if configName.MatchString(name) && !strings.Contains(name, "..") {
			return 3
		}
		return -1
	}
	last, seen := -1, map[string]bool{}
	for _, name := range names {
		r := rank(name)
		switch {
		case r < 0:
			return fmt.Errorf("it holds a part %.60q, which no backup has", name)
		case seen[name]:
			return fmt.Errorf("it holds the part %s twice", name)
		case r < last:
			return fmt.Errorf("its part %s is not in its place", name)
		}
		last, seen[name] = r, true
	}
	for _, name := range []string{entriesName, snapshotName, pubName, manifestName, sumsName} {
		if !seen[name] {
			return fmt.Errorf("its part %s is missing", name)
		}
	}
	return nil
}

// decodeManifest reads backup.json. A member that is not known is no fault: a later version of the same format may add one.
func decodeManifest(b []byte) (Manifest, error) {
	var m Manifest
	if err := unmarshal(b, &m); err != nil {
		return m, err
	}
	if m.Format != Format {
		return m, errVersion(m.Format)
	}
	return m, nil
}

// errVersion tells a format that is not known.
type errVersion string

func (e errVersion) Error() string {
	return fmt.Sprintf("its format is %.60q, and this weighpost reads %s: use the version that wrote it", string(e), Format)
}

// unmarshal reads one JSON document and nothing after it.
func unmarshal(b []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	if err := d.Decode(to); err != nil {
		return err
	}
	if d.More() {
		return errors.New("something follows the end of the document")
	}
	return nil
}

// encode writes JSON for people: one member a line.
func encode(v any) ([]byte, error) {
	b, err := json.MarshalIndent(v, "", " ")
	return append(b, '\n'), err
}

// madeAt is when a backup was made.
func (m *Manifest) madeAt() time.Time { return m.Made.UTC.Time() }
