package proof

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"encoding/pem"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// byOpenSSL has OpenSSL verify the one signature of a signed note with a key of which only the text is at hand. Nothing of
// ours reads the note: the parts are cut as C2SP signed-note describes them. The key is put into a SubjectPublicKeyInfo by
// RFC 8410 section 4.
func byOpenSSL(t *testing.T, signed []byte, keyText string) bool {
	t.Helper()
	dir := t.TempDir()
	part := strings.Split(keyText, "+")
	raw, err := base64.StdEncoding.DecodeString(strings.Join(part[2:], "+"))
	if err != nil || len(raw) != 33 || raw[0] != 0x01 {
		t.Fatalf("the key is %x, %v", raw, err)
	}
	spki, _ := hex.DecodeString("302a300506032b6570032100")
	file := func(name string, content []byte) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	key := file("key.pem", pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: append(spki, raw[1:]...)}))
	text, sigLine, found := bytes.Cut(signed, []byte("\n\n"))
	word := strings.Fields(string(sigLine))
	if !found || len(word) != 3 {
		t.Fatalf("the signature line is %q", sigLine)
	}
	signature, err := base64.StdEncoding.DecodeString(word[2])
	if err != nil || len(signature) != 4+64 {
		t.Fatalf("the signature is %x, %v", signature, err)
	}
	out, err := exec.CommandContext(t.Context(), "openssl", "pkeyutl", "-verify", "-pubin", "-inkey", key, "-rawin", "-in",
		file("text", append(text, '\n')), "-sigfile", file("signature", signature[4:])).CombinedOutput()
	ok := strings.Contains(string(out), "Signature Verified Successfully")
	if ok != (err == nil) {
		t.Fatalf("openssl says %q, %v", out, err)
	}
	return ok
}

func TestOpenSSLVerifiesSignatures(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "openssl")
	a, b := newPair(t, testOrigin), newPair(t, testOrigin)
	p := proved(t, 21, 13, a, b)
	if !byOpenSSL(t, p.Checkpoint, b.text) {
		t.Error("openssl does not verify the checkpoint of a proof")
	}
	if !byOpenSSL(t, p.Vouched[0], a.text) {
		t.Error("openssl does not verify the word of a key for the next one")
	}
	if byOpenSSL(t, p.Checkpoint, a.text) || byOpenSSL(t, bytes.Replace(p.Checkpoint, []byte("\n21\n"), []byte("\n22\n"), 1), b.text) {
		t.Error("openssl verifies anything")
	}
}

// openSSLHash is SHA-256 by openssl.
func openSSLHash(t *testing.T, data []byte) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "openssl", "dgst", "-sha256", "-binary")
	cmd.Stdin = bytes.NewReader(data)
	sum, err := cmd.Output()
	if err != nil || len(sum) != 32 {
		t.Fatalf("%x, %v", sum, err)
	}
	return sum
}

func TestOpenSSLHashesFromTheEntryToTheRoot(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "openssl")
	p := proved(t, 21, 13, newPair(t, testOrigin))
	c, err := Peek(p.Checkpoint)
	if err != nil {
		t.Fatal(err)
	}
	// Entry 13 of 21 is leaf 12, 01100: its siblings stand to the right, to the right, to the left, to the left, and then the
	// 16 entries of which it is one are the left part of the root.
	h := openSSLHash(t, append([]byte{0}, p.Entry...))
	for i, left := range []bool{false, false, true, true, false} {
		sibling := p.Hashes[i][:]
		if left {
			h = openSSLHash(t, bytes.Join([][]byte{{1}, sibling, h}, nil))
		} else {
			h = openSSLHash(t, bytes.Join([][]byte{{1}, h, sibling}, nil))
		}
	}
	if len(p.Hashes) != 5 || !bytes.Equal(h, c.Root[:]) {
		t.Errorf("openssl comes to %x, the checkpoint says %x", h, c.Root[:])
	}
}
