package proof

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Several is a proof file of several entries that belong together, those of a run, under one checkpoint.
type Several struct {
	Run        string // id of the run. It is a name tag: whoever verifies looks at the entries
	Entries    []Included
	Checkpoint []byte   // the signed note, verbatim
	Key        string   // as in Proof
	Vouched    [][]byte // as in Proof
	TimeStamp  []byte   // as in Proof
}

// Included is an entry with the way from it to the root.
type Included struct {
	Entry  []byte
	Index  uint64
	Hashes []tlog.Hash
}

// The lines of a proof of a run, in this order. What is named as in a proof of one entry is as there.
const (
	severalHeader = "weighpost/run-proof/1"
	runName       = "run"
	indexName     = "index"
	hashName      = "hash"
	maxSeveral    = 64 << 20
	mostEntries   = 100_000
)

// MaxSeveral is how many bytes a proof of a run has at most.
const MaxSeveral = maxSeveral

// IsSeveral says whether a file begins as a proof of a run does.
func IsSeveral(file []byte) bool { return bytes.HasPrefix(file, []byte(severalHeader+"\n")) }

// Marshal writes the proof file. The inverse is ParseSeveral.
func (s Several) Marshal() ([]byte, error) {
	var b bytes.Buffer
	line := func(name, value string) { fmt.Fprintf(&b, "%s %s\n", name, value) }
	b.WriteString(severalHeader + "\n")
	line(runName, s.Run)
	line(keyName, s.Key)
	for _, v := range s.Vouched {
		line(vouchedName, base64.StdEncoding.EncodeToString(v))
	}
	if len(s.TimeStamp) > 0 {
		line(stampName, base64.StdEncoding.EncodeToString(s.TimeStamp))
	}
	for _, e := range s.Entries {
		if bytes.IndexByte(e.Entry, '\n') >= 0 {
			return nil, errors.New("an entry holds a line feed, which no entry of a journal does")
		}
		line(entryName, string(e.Entry))
		line(indexName, strconv.FormatUint(e.Index, 10))
		for _, h := range e.Hashes {
			line(hashName, h.String())
		}
	}
	b.WriteString("\n")
	b.Write(s.Checkpoint)
	return b.Bytes(), nil
}

// ParseSeveral reads a proof of a run, and only exactly what Marshal writes. It verifies nothing. Errors say what is wrong with the file.
func ParseSeveral(file []byte) (Several, error) {
	switch {
	case len(file) > maxSeveral:
		return Several{}, fmt.Errorf("the file has %d bytes: a proof of a run has at most %d", len(file), maxSeveral)
	case !IsSeveral(file):
		return Several{}, fmt.Errorf("this is no proof of a run: its first line is not %q", severalHeader)
	}
	header, signed, found := strings.Cut(string(file[len(severalHeader)+1:]), "\n\n")
	if !found {
		return Several{}, errors.New("the proof is not whole: after the entries come an empty line and the checkpoint")
	}
	s := Several{Checkpoint: []byte(signed)}
	for text := range strings.SplitSeq(header, "\n") {
		name, value, _ := strings.Cut(text, " ")
		if err := s.take(name, value); err != nil {
			return Several{}, fmt.Errorf("the line %.20q of the proof cannot be read: %w", name, err)
		}
	}
	if s.Run == "" || s.Key == "" || len(s.Entries) == 0 || len(s.Vouched) > maxVouched {
		return Several{}, errors.New("the proof is not whole: it needs a run, a key and entries")
	}
	if again, err := s.Marshal(); err != nil || !bytes.Equal(again, file) {
		return Several{}, errors.New("the proof is not written as it has to be: it was altered or passed through a program that changes text")
	}
	return s, nil
}

// take reads one line.
func (s *Several) take(name, value string) (err error) {
	var last *Included
	if n := len(s.Entries); n > 0 {
		last = &s.Entries[n-1]
	}
	switch {
	case name == runName:
		s.Run = value
	case name == keyName:
		s.Key = value
	case name == vouchedName:
		var signed []byte
		signed, err = base64.StdEncoding.Strict().DecodeString(value)
		s.Vouched = append(s.Vouched, signed)
	case name == stampName:
		s.TimeStamp, err = base64.StdEncoding.Strict().DecodeString(value)
	case name == entryName && len(s.Entries) < mostEntries:
		s.Entries = append(s.Entries, Included{Entry: []byte(value)})
	case name == indexName && last != nil:
		last.Index, err = strconv.ParseUint(value, 10, 62)
	case name == hashName && last != nil && len(last.Hashes) < maxInclusion:
		var h tlog.Hash
		h, err = parseHash(value)
		last.Hashes = append(last.Hashes, h)
	default:
		err = errors.New("it is not known here, or stands where it cannot: was the proof made by a newer weighpost?")
	}
	return err
}

// VerifiedSeveral is what a proof of several entries has shown, of each what Verified says of one.
type VerifiedSeveral struct {
	Entries    []record.Entry
	Checkpoint Checkpoint
	Key        string
	SignedBy   string
	Through    []string
	TimeStamp  []byte
}

// Verify holds each entry against a public key that the caller trusts, as Proof.Verify does. It says nothing of what the entries are, nor
// whether they are all that belong together: that is gateway/signature's.
func (s Several) Verify(key note.Verifier) (VerifiedSeveral, error) {
	var out VerifiedSeveral
	for _, e := range s.Entries {
		v, err := Proof{Entry: e.Entry, Index: e.Index, Hashes: e.Hashes, Checkpoint: s.Checkpoint, Key: s.Key, Vouched: s.Vouched, TimeStamp: s.TimeStamp}.Verify(key)
		var needs *NeedsKey
		if errors.As(err, &needs) {
			return VerifiedSeveral{}, err
		}
		if err != nil {
			return VerifiedSeveral{}, fmt.Errorf("entry %d: %w", e.Index+1, err)
		}
		out.Checkpoint, out.Key, out.SignedBy, out.Through, out.TimeStamp = v.Checkpoint, v.Key, v.SignedBy, v.Through, v.TimeStamp
		out.Entries = append(out.Entries, v.Entry)
	}
	return out, nil
}
