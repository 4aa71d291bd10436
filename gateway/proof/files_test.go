package proof

import (
	"crypto/rand"
	"crypto/sha256"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// TestAKeyStandsForFilesAndForNothingElse: what is signed comes back, no byte of it can be changed, and a note by which a key stands for
// files is never a checkpoint or a key's word for the next, nor the other way round.
func TestAKeyStandsForFilesAndForNothingElse(t *testing.T) {
	secret, public, err := note.GenerateKey(rand.Reader, "weighpost/north-lab/7qx3")
	if err != nil {
		t.Fatal(err)
	}
	signer, _ := note.NewSigner(secret)
	key, _ := ParseKey(public)
	files := []SignedFile{{"a.json", sha256.Sum256([]byte("a"))}, {"a.pdf", sha256.Sum256([]byte("b"))}}
	signed, err := SignFiles(signer, files)
	if err != nil {
		t.Fatal(err)
	}
	got, err := OpenFiles(signed, key)
	if err != nil || len(got) != 2 || got[0] != files[0] || got[1] != files[1] {
		t.Fatalf("%v %v", got, err)
	}
	for i := range signed {
		changed := []byte(string(signed))
		changed[i] ^= 1
		if got, err := OpenFiles(changed, key); err == nil {
			t.Fatalf("byte %d may be changed: %v", i, got)
		}
	}
	if _, err := Open(signed, key); err == nil {
		t.Error("it passes for a checkpoint")
	}
	if _, err := OpenVouch(signed, key); err == nil {
		t.Error("it passes for the word of a key for the next")
	}
	point, err := Checkpoint{Origin: key.Name(), Size: 1}.Sign(signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenFiles(point, key); err == nil || !strings.Contains(err.Error(), "of another kind") {
		t.Errorf("a checkpoint passes for files: %v", err)
	}
	for _, name := range []string{"", "../a", "a/b", ".a", "a b", "a\nb", strings.Repeat("x", 201)} {
		if _, err := SignFiles(signer, []SignedFile{{Name: name}}); err == nil {
			t.Errorf("%q is signed", name)
		}
	}
	if _, err := SignFiles(signer, []SignedFile{files[0], files[0]}); err == nil {
		t.Error("the same name twice is signed")
	}
	if _, err := SignFiles(signer, nil); err == nil {
		t.Error("nothing is signed")
	}
}
