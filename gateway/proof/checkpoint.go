// Package proof is what people who do not trust each other can hold a journal against: checkpoints, the word of a key for
// the next one, and the proof file of one entry. It computes and never touches a disk, a clock or a network.
//
// Three open formats, each followed to the letter where it says MUST:
//
//   - RFC 6962 section 2.1: the tree. Leaf hash SHA-256(0x00, entry), node hash SHA-256(0x01, left, right).
//   - C2SP signed-note and tlog-checkpoint: a signed head of the tree. Three lines of text (origin, size, base64 of the root),
//     an empty line, a line for each signature. Ed25519 (signature type 0x01).
//   - C2SP tlog-proof: a file that shows that an entry is in the tree of a checkpoint.
//
// What a proof shows, and what it does not, is in Verified; the page "proofs" of the manual says how to do all of it by hand.
package proof

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Checkpoint is the head of a journal's tree at one moment.
type Checkpoint struct {
	Origin string    // names the journal and its incarnation: weighpost/SITE/INCARNATION
	Size   uint64    // entries: 0 to 1<<63 - 1
	Root   tlog.Hash // of the tree over these entries, RFC 6962 section 2.1
}

// Text is what is signed: tlog-checkpoint, "Note text", lines 1 to 3, and no extension lines.
func (c Checkpoint) Text() string { return fmt.Sprintf("%s\n%d\n%s\n", c.Origin, c.Size, c.Root) }

// Sign makes the signed note of a checkpoint. Origin has to be the name of a key (see CheckOrigin).
func (c Checkpoint) Sign(signers ...note.Signer) ([]byte, error) {
	if _, err := ParseText(c.Text()); err != nil {
		return nil, err
	}
	return note.Sign(&note.Note{Text: c.Text()}, signers...)
}

// ParseText reads the text of a checkpoint, and only exactly what Text writes: an extension line is refused, because
// nothing here could say what it means.
func ParseText(text string) (Checkpoint, error) {
	line := strings.Split(text, "\n")
	if len(line) != 4 || line[0] == "" || line[3] != "" {
		return Checkpoint{}, errors.New("a checkpoint has three lines: origin, size, root")
	}
	size, err := strconv.ParseUint(line[1], 10, 63)
	if err != nil || line[1] != strconv.FormatUint(size, 10) {
		return Checkpoint{}, fmt.Errorf("%q is no size of a tree", line[1])
	}
	hash, err := parseHash(line[2])
	if err != nil {
		return Checkpoint{}, err
	}
	return Checkpoint{Origin: line[0], Size: size, Root: hash}, nil
}

// parseHash reads the base64 of a hash, and only as it is written (RFC 4648 section 4, with padding, no stray bits).
func parseHash(text string) (h tlog.Hash, err error) {
	raw, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil || len(raw) != tlog.HashSize || strings.ContainsAny(text, "\r\n") {
		return h, fmt.Errorf("%q is no tree hash", text)
	}
	copy(h[:], raw)
	return h, nil
}

// Open reads a signed checkpoint that at least one of the keys has signed. Signatures of other keys are left aside, as
// signed-note asks for. It does not compare the origin with the keys' names.
func Open(signed []byte, keys ...note.Verifier) (Checkpoint, error) {
	n, err := openNote(signed, keys...)
	if err != nil {
		return Checkpoint{}, err
	}
	return ParseText(n.Text)
}

// Peek reads a checkpoint without any look at its signatures: it shows what somebody wrote, and nothing more.
func Peek(signed []byte) (Checkpoint, error) {
	text, _, found := strings.Cut(string(signed), "\n\n")
	if !found {
		return Checkpoint{}, errors.New("this is no signed note: an empty line and signatures have to follow the text")
	}
	return ParseText(text + "\n")
}

// SignedBy names the keys whose ids stand in the signature lines, as NAME+HASH. It does not say that the signatures hold.
func SignedBy(signed []byte) []string {
	var unverified *note.UnverifiedNoteError
	if _, err := note.Open(signed, note.VerifierList()); !errors.As(err, &unverified) {
		return nil
	}
	var ids []string
	for _, s := range unverified.Note.UnverifiedSigs {
		ids = append(ids, fmt.Sprintf("%s+%08x", s.Name, s.Hash))
	}
	return ids
}

// openNote opens a note, and says of one that none of the keys signed who signed it.
func openNote(signed []byte, keys ...note.Verifier) (*note.Note, error) {
	n, err := note.Open(signed, note.VerifierList(keys...))
	var unverified *note.UnverifiedNoteError
	if errors.As(err, &unverified) {
		return nil, &NotSigned{Wanted: ids(keys), By: SignedBy(signed)}
	}
	if err != nil {
		return nil, fmt.Errorf("the signed note cannot be accepted: %w", err)
	}
	return n, nil
}

// NotSigned says that a note carries no signature of a key at hand.
type NotSigned struct {
	Wanted []string // the keys at hand, NAME+HASH
	By     []string // the keys that its signature lines name
}

func (e *NotSigned) Error() string {
	return fmt.Sprintf("it is not signed by %s: its signature is said to be by %s", strings.Join(e.Wanted, " or "),
		strings.Join(e.By, " and "))
}
