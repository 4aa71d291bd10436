package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"weighpost/gateway/needs"
)

// tabbed are lines that end where somebody presses the tab key, and what all shells must offer there, among others or alone.
var tabbed = []struct {
	line   string
	offers []string
	alone  bool
}{
	{"weighpost ", []string{"demo", "journal", "add-balance", "version"}, false},
	{"weighpost jour", []string{"journal"}, true},
	{"weighpost journal ver", []string{"verify"}, true},
	{"weighpost backup ", []string{"create", "restore", "verify"}, false},
	{"weighpost version --js", []string{"--json"}, true},
	{"weighpost people add --rea", []string{"--reason"}, true},
	{"weighpost completion fi", []string{"fish"}, true},
	{"weighpost help damag", []string{"damage"}, true},
	{"weighpost man", nil, true}, // it is for whoever makes packages
}

func completionOf(t *testing.T, shell string) string {
	t.Helper()
	var out bytes.Buffer
	if status := run([]string{"completion", shell}, streams{strings.NewReader(""), &out, io.Discard}); status != 0 {
		t.Fatalf("weighpost completion %s: exit status %d", shell, status)
	}
	file := filepath.Join(t.TempDir(), "completion")
	if err := os.WriteFile(file, out.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// shellSays runs a shell without anybody's settings, and gives the lines that it prints.
func shellSays(t *testing.T, args ...string) []string {
	t.Helper()
	cmd := exec.Command("timeout", append([]string{"60"}, args...)...)
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + t.TempDir(), "TERM=dumb", "LC_ALL=C.UTF-8"}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %v: %s", args[0], err, out)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

func heldAgainst(t *testing.T, line string, got []string, want []string, alone bool) {
	t.Helper()
	got = slices.DeleteFunc(got, func(s string) bool { return s == "" })
	for _, w := range want {
		if !slices.Contains(got, w) {
			t.Errorf("%q: %q is not offered, but %q", line, w, got)
		}
	}
	if alone && len(got) != len(want) {
		t.Errorf("%q: offered are %q, want %q alone", line, got, want)
	}
}

// TestBashCompletes has bash call the script's function as its line editor does: with the words and the place of the cursor.
func TestBashCompletes(t *testing.T) {
	needs.Programs(t, "bash", "timeout")
	file := completionOf(t, "bash")
	for _, a := range tabbed {
		words := strings.Split(a.line, " ")
		got := shellSays(t, append([]string{"bash", "--norc", "-c", `. "$1"; shift
			COMP_WORDS=("$@") COMP_CWORD=$(($# - 1)); _weighpost; printf '%s\n' "${COMPREPLY[@]}"`, "bash", file}, words...)...)
		heldAgainst(t, a.line, got, a.offers, a.alone)
	}
	folder := t.TempDir()
	got := shellSays(t, "bash", "--norc", "-c", `. "$1"; COMP_WORDS=(weighpost validate export --x = "$2") COMP_CWORD=5
		_weighpost_takes() { [[ $2 == --x ]] && folders=yes; }; _weighpost; printf '%s\n' "${COMPREPLY[@]}"`, "bash", file, folder)
	heldAgainst(t, "--x=FOLDER", got, []string{folder}, true)
}

// TestFishCompletes asks fish itself, which tells on a line of its own each word with what it means.
func TestFishCompletes(t *testing.T) {
	needs.Programs(t, "fish", "timeout")
	file := completionOf(t, "fish")
	for _, a := range tabbed {
		var got []string
		for _, l := range shellSays(t, "fish", "--no-config", "-c", "source $argv[1]; complete -C $argv[2]", file, a.line) {
			word, _, _ := strings.Cut(l, "\t")
			got = append(got, word)
		}
		heldAgainst(t, a.line, got, a.offers, a.alone)
	}
}

// TestZshCompletes types into a zsh at a pseudo-terminal, presses tab, and sees what stands on the line then.
func TestZshCompletes(t *testing.T) {
	needs.Programs(t, "zsh", "timeout")
	file := completionOf(t, "zsh")
	for _, a := range tabbed {
		if a.line != "weighpost journal ver" && a.line != "weighpost version --js" {
			continue // each costs a start of zsh's completion
		}
		got := shellSays(t, "zsh", "-f", "-c", `zmodload zsh/zpty
			zpty z zsh -f -i
			zpty -w z "PS1=; autoload -Uz compinit; compinit -D -u; source $1; print -r READ''Y"
			zpty -r -m z seen '*READY*'
			zpty -w -n z "$2"$'\t'
			zpty -r -m z seen "*$3 *"
			print -r -- "$3"
			zpty -d z`, "zsh", file, a.line, a.line[:strings.LastIndex(a.line, " ")+1]+a.offers[0])
		heldAgainst(t, a.line, got, []string{a.line[:strings.LastIndex(a.line, " ")+1] + a.offers[0]}, true)
	}
}

// TestPagesForMan: two readers of man pages, mandoc and groff, have nothing to say against any page; every command and every flag
// stands in one, so that it can be copied.
func TestPagesForMan(t *testing.T) {
	needs.Programs(t, "mandoc", "groff")
	folder := t.TempDir()
	if status := run([]string{"man-pages", "--to", folder}, streams{strings.NewReader(""), io.Discard, os.Stderr}); status != 0 {
		t.Fatalf("exit status %d", status)
	}
	files, err := filepath.Glob(filepath.Join(folder, "*.[15]"))
	if err != nil || len(files) < 30 {
		t.Fatalf("%v: %q", err, files)
	}
	// A page without a date is one of a program that does not know its commit, as that of a test.
	lint, _ := exec.Command("mandoc", append([]string{"-T", "lint", "-W", "warning"}, files...)...).CombinedOutput()
	for line := range strings.Lines(string(lint)) {
		if !strings.Contains(line, "missing date") {
			t.Errorf("mandoc says: %s", line)
		}
	}
	groff, err := exec.Command("groff", append([]string{"-man", "-Tutf8", "-ww", "-z"}, files...)...).CombinedOutput()
	if err != nil || len(groff) > 0 {
		t.Errorf("groff says: %v: %s", err, groff)
	}
	shown, err := exec.Command("mandoc", append([]string{"-T", "utf8", "-O", "width=500"}, files...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	shown = overstruck(shown)
	parser, err := newParser(streams{out: io.Discard, err: io.Discard}, func(int) {})
	if err != nil {
		t.Fatal(err)
	}
	for _, leaf := range parser.Model.Leaves(true) {
		for _, text := range append(flagsOf(leaf), leaf.FullPath()) {
			if !bytes.Contains(shown, []byte(text)) {
				t.Errorf("%q of %q is in no page", text, leaf.FullPath())
			}
		}
	}
}

func flagsOf(n *kong.Node) (list []string) {
	for _, f := range n.Flags {
		if !f.Hidden && (f.Tag == nil || f.Tag.Negatable == "") {
			list = append(list, "--"+f.Name)
		}
	}
	return list
}

// overstruck takes away what a terminal shows as bold: a letter, backspace, the letter again.
func overstruck(page []byte) []byte {
	var out []byte
	for _, c := range page {
		if c == '\b' {
			out = out[:len(out)-1]
		} else {
			out = append(out, c)
		}
	}
	return out
}
