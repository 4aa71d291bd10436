package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"weighpost/gateway/help"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
)

// blocks gives the code of a page that is marked with a word.
func blocks(t *testing.T, topic, mark string) (list []string) {
	t.Helper()
	page, err := help.Page(topic)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range strings.Split(page.Text, "```"+mark+"\n")[1:] {
		code, _, closed := strings.Cut(part, "```")
		if !closed {
			t.Fatalf("a block of the page %s does not end", topic)
		}
		list = append(list, code)
	}
	if list == nil {
		t.Fatalf("the page %s has no %s", topic, mark)
	}
	return list
}

// byHand runs what the page says, in one shell after the other, with a proof and a key.
func byHand(t *testing.T, proof, key []byte) []string {
	t.Helper()
	dir := t.TempDir()
	for name, content := range map[string][]byte{"w.tlog-proof": proof, "key.pub": key} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var said []string
	for _, code := range blocks(t, "proofs", "sh") {
		cmd := exec.CommandContext(t.Context(), "sh", "-c", code)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		if err != nil {
			out = append(out, "failed: "+err.Error()...)
		}
		said = append(said, string(out))
	}
	return said
}

// same says whether the last two lines are.
func same(said string) bool {
	line := strings.Split(strings.TrimSpace(said), "\n")
	return len(line) > 1 && line[len(line)-1] == line[len(line)-2]
}

func TestWhatThePageOnProofsSaysIsDoneByHand(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "sh", "sed", "base64", "openssl", "sha256sum", "cut", "grep", "head", "tail", "tr")
	const dir = "../../testdata/journals/v1"
	key, err := os.ReadFile(dir + "/key.pub")
	if err != nil {
		t.Fatal(err)
	}
	for _, seq := range []string{"1", "4", "9", "13", "14"} {
		p, err := journal.Prove(t.Context(), dir, seq, journal.ProveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		file, err := p.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		said := byHand(t, file, key)
		if len(said) != 3 || !strings.Contains(said[0], string(p.Entry)) || !same(said[0]) || !same(said[2]) ||
			!strings.Contains(said[1], "Signature Verified Successfully") {
			t.Errorf("entry %s: by hand it says %q", seq, said)
		}
		// And by hand an altered one is found.
		index, signed := bytes.Replace(file, []byte("\nindex "), []byte("\nindex 1"), 1), bytes.Replace(file, []byte("\n14\n"), []byte("\n15\n"), 1)
		if said := byHand(t, index, key); same(said[0]) {
			t.Errorf("entry %s: at another place it passes by hand: %q", seq, said)
		}
		if said := byHand(t, signed, key); strings.Contains(said[1], "Successfully") {
			t.Errorf("entry %s: with another size it passes by hand: %q", seq, said)
		}
	}
}

func TestTheCommandsOfThePageOnProofsAreCommands(t *testing.T) {
	parser, err := newParser(streams{}, func(int) {}, kong.Bind(streams{}))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(blocks(t, "proofs", "console")[0]), "\n") {
		var args []string
		for i, part := range strings.Split(line, `"`) {
			if i%2 == 1 {
				args = append(args, part)
			} else {
				args = append(args, strings.Fields(part)...)
			}
		}
		if _, err := parser.Parse(args[1:]); err != nil || args[0] != "weighpost" {
			t.Errorf("%s: %v", line, err)
		}
	}
}
