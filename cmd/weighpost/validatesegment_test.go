package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// TestASegmentIsValidatedWithoutItsJournal: a copy of a segment, its description and the key are enough, and what no key vouches
// for is said. An edit made with zcat and gzip, which know nothing of weighpost, is found; so it is when the description is made
// to agree, and when the key is another journal's.
func TestASegmentIsValidatedWithoutItsJournal(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "sh", "zcat", "gzip", "sed", "sha256sum")
	_, dir, copies := sealedJournal(t)
	key := filepath.Join(t.TempDir(), "key.pub")
	b, err := os.ReadFile(filepath.Join(dir, "key.pub"))
	if err == nil {
		err = os.WriteFile(key, b, 0o600)
	}
	if err == nil {
		err = os.RemoveAll(dir) // there is no journal
	}
	if err != nil {
		t.Fatal(err)
	}
	good := theOne(t, copies)
	description := strings.TrimSuffix(good, segmentEnd) + descriptionEnd
	for _, name := range []string{good, description} {
		out := runs(t, "validate", "segment", name, "--key", key)
		for _, word := range []string{"holds all entries from 1 to 1000", "is signed by weighpost/north-lab/", "not shown  that the journal of today"} {
			if !strings.Contains(out, word) {
				t.Errorf("%s: it does not say %q:\n%s", name, word, out)
			}
		}
	}
	if out := runs(t, "validate", "segment", good); strings.Contains(out, "signed by") || !strings.Contains(out, "no key was given") {
		t.Errorf("without a key it says:\n%s", out)
	}
	var facts segmentFacts
	err = json.Unmarshal([]byte(runs(t, "validate", "segment", good, "--key", string(b), "--json")), &facts)
	if sum := says(t, copies, "sha256sum "+filepath.Base(good)); err != nil || !facts.Valid || facts.SignedBy == "" || !strings.HasPrefix(sum, facts.SHA256) {
		t.Errorf("%+v, %v", facts, err)
	}
	_, other, _ := sealedJournal(t)
	fails(t, []string{"the checkpoint in its description does not hold"}, "validate", "segment", good, "--key", filepath.Join(other, "key.pub"))

	edited := t.TempDir()
	name := filepath.Join(edited, filepath.Base(good))
	says(t, copies, "zcat "+filepath.Base(good)+" | sed '5s/ttyS0/ttyS1/' | gzip -c > "+name)
	text, err := os.ReadFile(description)
	if err != nil {
		t.Fatal(err)
	}
	beside := filepath.Join(edited, filepath.Base(description))
	put := func(text string) {
		t.Helper()
		if err := os.WriteFile(beside, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put(string(text))
	fails(t, []string{"is not the segment that was sealed", "and its description says"}, "validate", "segment", name, "--key", key)
	// With length and sum made to agree the hashes are still others.
	agrees := regexp.MustCompile(`"sha256": *"[^"]*"`).ReplaceAllString(string(text), `"sha256": "`+says(t, edited, "sha256sum < "+filepath.Base(name))[:64]+`"`)
	info, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	size, err := json.Marshal(info.Size())
	if err != nil {
		t.Fatal(err)
	}
	put(regexp.MustCompile(`"bytes": *\d+`).ReplaceAllString(agrees, `"bytes": `+string(size)))
	fails(t, []string{"these are not entries 1 to 1000 of the journal that was signed"}, "validate", "segment", name, "--key", key)
	fails(t, []string{"ends neither in"}, "validate", "segment", key)
}

// says runs a line of the shell in a folder.
func says(t *testing.T, dir, line string) string {
	t.Helper()
	cmd := exec.Command("sh", "-c", line)
	cmd.Dir = dir
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	return string(out)
}
