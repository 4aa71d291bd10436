package proof

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// Proof is a proof file: all that is needed, beside a public key, to see that an entry was in a journal.
type Proof struct {
	Entry      []byte      // the exact bytes of the entry
	Index      uint64      // of its leaf, from 0: the entry's sequence less one
	Hashes     []tlog.Hash // from the leaf's sibling up to a child of the root
	Checkpoint []byte      // the signed note, verbatim
	Key        string      // text of the public key that signed it. It is a name tag: whoever verifies brings a key of their own
	// Vouched are the signed notes by which each key vouched for the next one (see Vouch), oldest first. They are there when the
	// key was ever changed, so that a verifier who holds an earlier key gets from there to the one that signed.
	Vouched [][]byte
	// TimeStamp is the DER of an RFC 3161 TimeStampToken over the bytes of Checkpoint, or nil. Nothing here looks into it.
	TimeStamp []byte
}

// The lines of a proof file. Form and order are tlog-proof's ("Format"): header, extra, index, hashes, an empty line, the
// checkpoint verbatim. What that specification leaves to the application is inside of extra: lines of NAME SPACE VALUE.
const (
	fileHeader   = "c2sp.org/tlog-proof@v1"
	extraPrefix  = "extra "
	indexPrefix  = "index "
	extraHeader  = "weighpost/proof/1"
	entryName    = "entry"       // the bytes of the entry as they are: JSON on one line
	keyName      = "key"         // the public key that signed the checkpoint
	vouchedName  = "key-rotated" // base64 of a signed note; one line for each change of the key, oldest first
	stampName    = "time-stamp"  // base64 of the DER of a time-stamp token
	maxFile      = 16 << 20
	maxVouched   = 1000
	maxInclusion = 63 // hashes: as many as a tree of 1<<63 leaves is high
)

// MaxFile is how many bytes a proof file has at most.
const MaxFile = maxFile

// Marshal writes the proof file. The inverse is Parse.
func (p Proof) Marshal() ([]byte, error) {
	if bytes.IndexByte(p.Entry, '\n') >= 0 {
		return nil, errors.New("the entry holds a line feed, which no entry of a journal does")
	}
	var extra strings.Builder
	line := func(name, value string) { fmt.Fprintf(&extra, "%s %s\n", name, value) }
	extra.WriteString(extraHeader + "\n")
	line(entryName, string(p.Entry))
	line(keyName, p.Key)
	for _, v := range p.Vouched {
		line(vouchedName, base64.StdEncoding.EncodeToString(v))
	}
	if len(p.TimeStamp) > 0 {
		line(stampName, base64.StdEncoding.EncodeToString(p.TimeStamp))
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\n%s%s\n", fileHeader, extraPrefix, base64.StdEncoding.EncodeToString([]byte(extra.String())))
	fmt.Fprintf(&b, "%s%d\n", indexPrefix, p.Index)
	for _, h := range p.Hashes {
		fmt.Fprintf(&b, "%s\n", h)
	}
	b.WriteString("\n")
	b.Write(p.Checkpoint)
	return b.Bytes(), nil
}

// Parse reads a proof file, and only exactly what Marshal writes: one content has one spelling, so that no byte can be
// changed without changing what is said. It verifies nothing. Errors say what is wrong with the file.
func Parse(file []byte) (Proof, error) {
	if len(file) > maxFile {
		return Proof{}, fmt.Errorf("the file has %d bytes: a proof has at most %d", len(file), maxFile)
	}
	header, signed, found := strings.Cut(string(file), "\n\n")
	line := strings.Split(header, "\n")
	if line[0] != fileHeader {
		return Proof{}, fmt.Errorf("this is no proof: its first line is not %q", fileHeader)
	}
	if !found || len(line) < 3 || !strings.HasPrefix(line[1], extraPrefix) || !strings.HasPrefix(line[2], indexPrefix) {
		return Proof{}, fmt.Errorf("the proof is not whole: after its first line come %q, %q, hashes, an empty line and the checkpoint",
			strings.TrimSpace(extraPrefix), strings.TrimSpace(indexPrefix))
	}
	p := Proof{Checkpoint: []byte(signed)}
	extra, err := base64.StdEncoding.Strict().DecodeString(line[1][len(extraPrefix):])
	if err != nil {
		return Proof{}, fmt.Errorf("the line %q of the proof is no base64", strings.TrimSpace(extraPrefix))
	}
	if err := p.parseExtra(string(extra)); err != nil {
		return Proof{}, err
	}
	if p.Index, err = strconv.ParseUint(line[2][len(indexPrefix):], 10, 62); err != nil {
		return Proof{}, fmt.Errorf("the index of the proof is %q, which is no whole number", line[2][len(indexPrefix):])
	}
	if len(line)-3 > maxInclusion {
		return Proof{}, fmt.Errorf("the proof has %d hashes: no tree is so high", len(line)-3)
	}
	for _, text := range line[3:] {
		h, err := parseHash(text)
		if err != nil {
			return Proof{}, fmt.Errorf("a hash of the proof cannot be read: %w", err)
		}
		p.Hashes = append(p.Hashes, h)
	}
	if again, err := p.Marshal(); err != nil || !bytes.Equal(again, file) {
		return Proof{}, errors.New("the proof is not written as it has to be: it was altered or passed through a program that changes text")
	}
	return p, nil
}

// parseExtra reads what tlog-proof leaves to the application.
func (p *Proof) parseExtra(extra string) error {
	line := strings.Split(extra, "\n")
	if line[0] != extraHeader {
		return fmt.Errorf("the proof is none of weighpost's, or of a newer one: its extra data do not begin with %q", extraHeader)
	}
	for _, l := range line[1 : len(line)-1] {
		name, value, _ := strings.Cut(l, " ")
		var err error
		switch name {
		case entryName:
			p.Entry = []byte(value)
		case keyName:
			p.Key = value
		case vouchedName:
			var signed []byte
			signed, err = base64.StdEncoding.Strict().DecodeString(value)
			p.Vouched = append(p.Vouched, signed)
		case stampName:
			p.TimeStamp, err = base64.StdEncoding.Strict().DecodeString(value)
		default:
			err = errors.New("it is not known here: was the proof made by a newer weighpost?")
		}
		if err != nil {
			return fmt.Errorf("the section %q of the proof cannot be read: %w", name, err)
		}
	}
	if len(p.Entry) == 0 || p.Key == "" || len(p.Vouched) > maxVouched {
		return errors.New("the proof is not whole: it needs an entry and a key")
	}
	return nil
}
