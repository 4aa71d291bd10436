package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"weighpost/gateway/config"
	"weighpost/parsers/layout"
)

// TestReadmeIsTrue holds the README, and the pages of the manual that say most of how to begin, to the program: their layouts are valid, their commands are understood, their files exist.
func TestReadmeIsTrue(t *testing.T) {
	t.Parallel()
	names := []string{"README.md", "DEVELOPERS.md"}
	for _, page := range []string{"adding", "asking", "at-the-balance", "device-servers", "first-steps", "line", "record", "service", "tap", "troubleshooting"} {
		names = append(names, "gateway/help/pages/"+page+".md")
	}
	for _, name := range names {
		src, err := os.ReadFile(filepath.Join("../..", name))
		if err != nil {
			t.Fatal(err)
		}
		text := string(src)
		t.Run(name, func(t *testing.T) {
			layouts, commands, files := 0, 0, 0
			for _, block := range fenced(text) {
				if atTop.MatchString(block.text) {
					if _, faults := config.Load("weighpost.yaml", []byte("site: seed-bank\njournal: {folder: j}\n"+block.text)); len(faults) > 0 {
						t.Errorf("beside the balances: %v", faults)
					}
					continue
				}
				if strings.HasPrefix(block.text, "scanner:") || strings.HasPrefix(block.text, "tap:") || strings.HasPrefix(block.text, "ask:") ||
					strings.HasPrefix(block.text, "port:") {
					checkBalance(t, block.text)
					continue
				}
				if block.language == "yaml" {
					layouts++
					if _, err := layout.Parse(name, []byte(block.text)); err != nil {
						t.Errorf("a layout: %v", err)
					}
					continue
				}
				for line := range strings.SplitSeq(block.text, "\n") {
					if args, ok := command(line); ok {
						commands++
						checkCommand(t, args)
					}
				}
			}
			for _, args := range regexp.MustCompile("`weighpost ([^`]+)`").FindAllStringSubmatch(text, -1) {
				commands++
				checkCommand(t, words(args[1]))
			}
			for _, link := range regexp.MustCompile(`\]\(([^)#]+)\)`).FindAllStringSubmatch(text, -1) {
				files++
				if _, err := os.Stat(filepath.Join("../..", link[1])); err != nil {
					t.Errorf("a link: %v", err)
				}
			}
			switch {
			case name == "README.md" && (commands < 5 || files < 5), strings.HasSuffix(name, "/line.md") && (layouts < 1 || commands < 5):
				t.Errorf("found %d layouts, %d commands, %d files: this test looks at the wrong things", layouts, commands, files)
			case strings.HasPrefix(name, "gateway/"):
				return
			}
			for _, must := range []string{"go run ./cmd/weighpost demo", "go test ./..."} {
				if !strings.Contains(text, must) {
					t.Errorf("%q is missing", must)
				}
			}
		})
	}
}

// atTop begins a block that stands beside the balances in a configuration.
var atTop = regexp.MustCompile(`^(clock|backup|page|sinks|checks|fitness):`)

// TestTheManualShowsTheRecording: what a person sees who adds a balance stands there as it was recorded.
func TestTheManualShowsTheRecording(t *testing.T) {
	text, err := os.ReadFile("../../gateway/help/pages/adding.md")
	if err != nil {
		t.Fatal(err)
	}
	recorded, err := os.ReadFile("testdata/add-balance.txt")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), "```\n"+string(recorded)+"```\n") {
		t.Error("the manual shows another recording than testdata/add-balance.txt: go test ./cmd/weighpost -run Recording -update")
	}
}

// checkBalance holds keys that the README shows below a balance to the configuration.
func checkBalance(t *testing.T, keys string) {
	t.Helper()
	path, err := filepath.Abs("../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: j}\nbalances:\n- id: b-1\n  readability: 0.001 g\n  layout: %q\n", path)
	if !strings.HasPrefix(keys, "port:") {
		text += "  port: {address: /dev/ttyS0}\n"
	}
	for line := range strings.SplitSeq(keys, "\n") {
		text += "  " + line + "\n"
	}
	if _, faults := config.Load("weighpost.yaml", []byte(text)); len(faults) > 0 {
		t.Errorf("below a balance: %v", faults)
	}
}

type block struct{ language, text string }

// fenced gives the code blocks of a document, without the indentation of the list that they stand in.
func fenced(text string) (list []block) {
	for _, m := range regexp.MustCompile("(?ms)^( *)```(\\w*)\n(.*?)^ *```").FindAllStringSubmatch(text, -1) {
		lines := strings.Split(m[3], "\n")
		for i := range lines {
			lines[i] = strings.TrimPrefix(lines[i], m[1])
		}
		list = append(list, block{m[2], strings.Join(lines, "\n")})
	}
	return list
}

// command gives the arguments of a line that calls weighpost.
func command(line string) (args []string, ok bool) {
	line, _, _ = strings.Cut(line, "  #")
	for _, name := range []string{"./weighpost ", "weighpost ", "sudo weighpost ", "go run ./cmd/weighpost "} {
		if rest, found := strings.CutPrefix(strings.TrimSpace(line), name); found {
			return words(rest), true
		}
	}
	return nil, false
}

// words splits a line as a shell does, as far as single quotes go.
func words(line string) []string {
	parts := strings.Split(line, "'")
	for i := 1; i < len(parts); i += 2 { // what stands in quotes
		parts[i] = strings.ReplaceAll(parts[i], " ", "\x00")
	}
	list := strings.Fields(strings.Join(parts, ""))
	for i := range list {
		list[i] = strings.ReplaceAll(list[i], "\x00", " ")
	}
	return list
}

func checkCommand(t *testing.T, args []string) {
	t.Helper()
	parser, err := newParser(streams{out: io.Discard, err: io.Discard}, func(int) {})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parser.Parse(args); err != nil {
		t.Errorf("weighpost %s: %v", strings.Join(args, " "), err)
	}
}
