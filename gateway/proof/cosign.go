package proof

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
)

// Co-signatures: C2SP tlog-cosignature, "Ed25519 signed message" (cosignature/v1). Whoever holds a log against what it was before puts
// a line of their own under its checkpoint. A signature is eight bytes of POSIX time, big-endian, and an Ed25519 signature of
//
//	cosignature/v1
//	time 1679315147
//	and the text of the checkpoint
//
// The id of the key is SHA-256(name, line feed, 0x04, public key)[:4]. Public keys are NAME+HASH+BASE64 with the byte 0x04 before the
// key; the secret is kept in the form that signed-note's keys have, with the same byte.
const cosignAlgorithm = 0x04

// secretPrefix begins a secret key.
const secretPrefix = "PRIVATE+KEY+"

// Cosigner puts signature lines under checkpoints of others.
type Cosigner struct {
	key    ed25519.PrivateKey
	public CosignerKey
}

// CosignerKey is the public half. It is a note.Verifier of co-signatures.
type CosignerKey struct {
	name string
	hash uint32
	key  ed25519.PublicKey
}

// NewCosigner draws a key, from random, and gives the texts of its secret and its public half. The name should be one that
// tells whose it is, such as archive.example.org.
func NewCosigner(random io.Reader, name string) (secret, public string, err error) {
	if err := CheckCosigner(name); err != nil {
		return "", "", err
	}
	_, key, err := ed25519.GenerateKey(random)
	if err != nil {
		return "", "", err
	}
	c := newCosigner(name, key)
	return fmt.Sprintf("%s%s+%08x+%s", secretPrefix, name, c.public.hash, keyText(key.Seed())), c.public.String(), nil
}

// CheckCosigner says why a text cannot name a co-signer, or nil: signed-note allows no space and no plus in the name of a key.
func CheckCosigner(name string) error {
	if name == "" || len(name) > 255 || !utf8.ValidString(name) || strings.Contains(name, "+") || strings.ContainsFunc(name, unicode.IsSpace) {
		return fmt.Errorf("%.80q cannot name a key: use 1 to 255 bytes without spaces and +, such as archive.example.org", name)
	}
	return nil
}

func newCosigner(name string, key ed25519.PrivateKey) *Cosigner {
	public := key.Public().(ed25519.PublicKey)
	return &Cosigner{key, CosignerKey{name, cosignerHash(name, public), public}}
}

func cosignerHash(name string, key ed25519.PublicKey) uint32 {
	sum := sha256.Sum256(append([]byte(name+"\n"), append([]byte{cosignAlgorithm}, key...)...))
	return binary.BigEndian.Uint32(sum[:])
}

func keyText(key []byte) string {
	return base64.StdEncoding.EncodeToString(append([]byte{cosignAlgorithm}, key...))
}

// ParseCosigner reads the secret key of a co-signer.
func ParseCosigner(secret string) (*Cosigner, error) {
	rest, found := strings.CutPrefix(strings.TrimSpace(secret), secretPrefix)
	if !found {
		return nil, errors.New("this is no secret key of a co-signer (PRIVATE+KEY+NAME+HASH+BASE64)")
	}
	name, hash, seed, err := splitKey(rest, ed25519.SeedSize)
	if err != nil {
		return nil, fmt.Errorf("the secret key of the co-signer cannot be read: %w", err) // without the text: it is a secret
	}
	c := newCosigner(name, ed25519.NewKeyFromSeed(seed))
	if c.public.hash != hash {
		return nil, errors.New("the secret key of the co-signer is damaged: its hash is not that of its name and key")
	}
	return c, nil
}

// ParseCosignerKey reads the public key of a co-signer: NAME+HASH+BASE64.
func ParseCosignerKey(text string) (CosignerKey, error) {
	text = strings.TrimSpace(text)
	if strings.HasPrefix(text, "PRIVATE+") {
		return CosignerKey{}, errors.New("this is the secret key, which signs; give the public one, and show this one to nobody")
	}
	name, hash, key, err := splitKey(text, ed25519.PublicKeySize)
	if err != nil {
		return CosignerKey{}, fmt.Errorf("this is no public key of a co-signer (NAME+HASH+BASE64): %w", err)
	}
	if cosignerHash(name, key) != hash {
		return CosignerKey{}, errors.New("the key of the co-signer is damaged: its hash is not that of its name and key")
	}
	return CosignerKey{name, hash, key}, nil
}

// splitKey takes NAME+HASH+BASE64 apart.
func splitKey(text string, size int) (name string, hash uint32, key []byte, err error) {
	part := strings.SplitN(text, "+", 3)
	if len(part) != 3 || CheckCosigner(part[0]) != nil {
		return "", 0, nil, errors.New("it has not three parts")
	}
	n, err := strconv.ParseUint(part[1], 16, 32)
	if err != nil || part[1] != fmt.Sprintf("%08x", n) {
		return "", 0, nil, errors.New("its hash is not of eight hexadecimal digits")
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(part[2])
	switch {
	case err != nil || len(raw) != 1+size:
		return "", 0, nil, errors.New("its last part is no key in base64")
	case raw[0] != cosignAlgorithm:
		return "", 0, nil, fmt.Errorf("it is of the type %d, and co-signatures by Ed25519 have %d", raw[0], cosignAlgorithm)
	}
	return part[0], uint32(n), raw[1:], nil
}

// Public is the public half.
func (c *Cosigner) Public() CosignerKey { return c.public }

// Cosign adds a signature line to a checkpoint that one of the keys of the log has signed, and gives it with the lines of these keys
// and the new one. at is when.
func (c *Cosigner) Cosign(signed []byte, at time.Time, log ...note.Verifier) ([]byte, error) {
	n, err := openNote(signed, log...)
	if err != nil {
		return nil, err
	}
	if _, err := ParseText(n.Text); err != nil {
		return nil, err
	}
	n.UnverifiedSigs = nil
	return note.Sign(n, cosigning{c, at})
}

// cosigning is a note.Signer for one moment.
type cosigning struct {
	*Cosigner
	at time.Time
}

func (s cosigning) Name() string    { return s.public.name }
func (s cosigning) KeyHash() uint32 { return s.public.hash }

func (s cosigning) Sign(text []byte) ([]byte, error) {
	seconds := s.at.Unix()
	if seconds < 0 {
		return nil, errors.New("a co-signature cannot be older than 1970")
	}
	sig := binary.BigEndian.AppendUint64(nil, uint64(seconds))
	return append(sig, ed25519.Sign(s.key, cosignedText(uint64(seconds), text))...), nil
}

func cosignedText(seconds uint64, text []byte) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "cosignature/v1\ntime %d\n", seconds)
	b.Write(text)
	return b.Bytes()
}

func (k CosignerKey) Name() string    { return k.name }
func (k CosignerKey) KeyHash() uint32 { return k.hash }
func (k CosignerKey) String() string {
	return fmt.Sprintf("%s+%08x+%s", k.name, k.hash, keyText(k.key))
}

// Verify says whether a signature of a note is one of this co-signer over its text.
func (k CosignerKey) Verify(text, sig []byte) bool {
	if len(sig) != 8+ed25519.SignatureSize {
		return false
	}
	seconds := binary.BigEndian.Uint64(sig)
	return seconds <= math.MaxInt64 && ed25519.Verify(k.key, cosignedText(seconds, text), sig[8:])
}

// Cosigned reads a checkpoint that a co-signer has signed, and when. Whether the log signed it too is the caller's to ask (Open).
func Cosigned(signed []byte, key CosignerKey) (c Checkpoint, at time.Time, err error) {
	n, err := openNote(signed, key)
	if err != nil {
		return c, at, err
	}
	raw, err := base64.StdEncoding.DecodeString(n.Sigs[0].Base64)
	if err != nil || len(raw) < 12 {
		return c, at, errors.New("the co-signature is too short")
	}
	c, err = ParseText(n.Text)
	return c, time.Unix(int64(binary.BigEndian.Uint64(raw[4:])), 0).UTC(), err
}
