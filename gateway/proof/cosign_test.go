package proof

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// cosignedNote is a checkpoint of a log, co-signed at a time.
func cosignedNote(t *testing.T, at time.Time) (signed []byte, log note.Verifier, public string) {
	t.Helper()
	secret, text, err := note.GenerateKey(rand.Reader, "weighpost/north-lab/7qx3a")
	if err != nil {
		t.Fatal(err)
	}
	signer, _ := note.NewSigner(secret)
	log, _ = note.NewVerifier(text)
	checkpoint, err := Checkpoint{Origin: log.Name(), Size: 17, Root: tlog.RecordHash([]byte("poppy"))}.Sign(signer)
	if err != nil {
		t.Fatal(err)
	}
	own, public, err := NewCosigner(rand.Reader, "archive.seedbank.example")
	if err != nil {
		t.Fatal(err)
	}
	c, err := ParseCosigner(own)
	if err != nil {
		t.Fatal(err)
	}
	if signed, err = c.Cosign(checkpoint, at, log); err != nil {
		t.Fatal(err)
	}
	return signed, log, public
}

// TestCosignaturesHoldElsewhere: an implementation of C2SP tlog-cosignature that is not ours (filippo.io/torchwood v0.6.1, by an author of the
// specification) accepts what is co-signed here, gives the same time, and finds every changed byte of the text.
func TestCosignaturesHoldElsewhere(t *testing.T) {
	at := time.Unix(1_679_315_147, 999)
	signed, log, public := cosignedNote(t, at)
	parts := strings.SplitN(public, "+", 3)
	raw, err := base64.StdEncoding.DecodeString(parts[2])
	if err != nil || raw[0] != 0x04 {
		t.Fatalf("%v: type %d", err, raw[0])
	}
	other := torchwoodVerifier(t, parts[0], raw[1:], public)
	n, err := note.Open(signed, note.VerifierList(log, other))
	if err != nil || len(n.Sigs) != 2 || len(n.UnverifiedSigs) != 0 {
		t.Fatalf("%v: %d signatures held", err, len(n.Sigs))
	}
	for _, s := range n.Sigs {
		if s.Name != parts[0] {
			continue
		}
		if seconds, err := torchwood.CosignatureTimestamp(s); err != nil || seconds != at.Unix() {
			t.Errorf("the time is %d (%v), and was %d", seconds, err, at.Unix())
		}
	}
	text := bytes.Index(signed, []byte("\n\n"))
	for i := range text {
		changed := bytes.Clone(signed)
		changed[i] ^= 1
		if n, err := note.Open(changed, note.VerifierList(other)); err == nil {
			t.Fatalf("byte %d of the text can be changed: %q", i, n.Text)
		}
	}
}

// torchwoodVerifier makes their verifier of our public key, and holds their text of it against ours: that version has no reader for one.
func torchwoodVerifier(t *testing.T, name string, public ed25519.PublicKey, text string) note.Verifier {
	t.Helper()
	s, err := torchwood.NewCosignatureSigner(name, onlyPublic{public})
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Verifier().String(); got != text {
		t.Fatalf("their text of the key is %q, ours %q", got, text)
	}
	return s.Verifier()
}

// TestTheirCosignaturesHoldHere: the other way round.
func TestTheirCosignaturesHoldHere(t *testing.T) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s, err := torchwood.NewCosignatureSigner("witness.example.com/w1", key)
	if err != nil {
		t.Fatal(err)
	}
	c := Checkpoint{Origin: "example.com/behind-the-sofa", Size: 20_852_163, Root: tlog.RecordHash(nil)}
	signed, err := note.Sign(&note.Note{Text: c.Text()}, s)
	if err != nil {
		t.Fatal(err)
	}
	ours, err := ParseCosignerKey(s.Verifier().String())
	if err != nil {
		t.Fatal(err)
	}
	got, at, err := Cosigned(signed, ours)
	if err != nil || got != c || math.Abs(time.Since(at).Seconds()) > 60 {
		t.Errorf("%v: %+v at %s", err, got, at)
	}
	ours.name = "witness.example.com/w2"
	if _, _, err := Cosigned(signed, ours); err == nil {
		t.Error("a co-signature holds under another name")
	}
}

// TestTheSpecificationsExample: key id and signed text of the example in C2SP tlog-cosignature ("Ed25519 signed message" and the note above it).
// Its public key is not given there, so the signature itself cannot be judged; the time in it can be read.
func TestTheSpecificationsExample(t *testing.T) {
	line := "jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA=="
	seconds, err := torchwood.CosignatureTimestamp(note.Signature{Base64: line})
	if err != nil || seconds != 1_679_315_147 {
		t.Fatalf("%v: %d", err, seconds)
	}
	text := "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	want := "cosignature/v1\ntime 1679315147\nexample.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	if got := string(cosignedText(uint64(seconds), []byte(text))); got != want {
		t.Errorf("%q", got)
	}
}

// TestKeysOfCosignersAreHeldToTheirForm: what is no key of that type is refused with a sentence that does not repeat a secret.
func TestKeysOfCosignersAreHeldToTheirForm(t *testing.T) {
	secret, public, err := NewCosigner(rand.Reader, "archive.seedbank.example")
	if err != nil {
		t.Fatal(err)
	}
	_, ofLog, _ := note.GenerateKey(rand.Reader, "weighpost/north-lab/7qx3a")
	for what, text := range map[string]string{"secret": secret, "of a log": ofLog, "cut": public[:len(public)-4], "other name": "x" + public, "nothing": ""} {
		if _, err := ParseCosignerKey(text); err == nil || strings.Contains(err.Error(), secret[60:]) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for what, text := range map[string]string{"public": public, "cut": secret[:len(secret)-4], "other name": strings.Replace(secret, "archive", "archives", 1)} {
		if _, err := ParseCosigner(text); err == nil || strings.Contains(err.Error(), secret[60:]) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for _, name := range []string{"", "two words", "a+b", "line\nfeed"} {
		if _, _, err := NewCosigner(rand.Reader, name); err == nil {
			t.Errorf("%q names a key", name)
		}
	}
	if k, err := ParseCosignerKey(public); err != nil || k.String() != public {
		t.Errorf("%v: %s", err, k)
	}
}

// onlyPublic is a key of which only the public half is at hand.
type onlyPublic struct{ public ed25519.PublicKey }

func (k onlyPublic) Public() crypto.PublicKey { return k.public }
func (k onlyPublic) Sign(io.Reader, []byte, crypto.SignerOpts) ([]byte, error) {
	return nil, errors.New("there is no secret key")
}
