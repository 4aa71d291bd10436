package logged

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the catalogue anew; what a person wrote beside a message stays")

const page = "../help/pages/log-messages.md"

// said is a message of the catalogue: what it says at which level.
type said struct{ level, text string }

// inSources are all messages, with the rooms that log them.
func inSources(t *testing.T) map[said][]string {
	t.Helper()
	all, err := In("../..")
	if err != nil {
		t.Fatal(err)
	}
	found, used := map[said][]string{}, map[string]bool{}
	for _, m := range all {
		if m.Level == "with" {
			continue
		}
		texts := []string{m.Text}
		if m.Text == "" {
			key := m.Room + " " + m.Expr
			used[key] = true
			if texts = Spoken[key]; texts == nil {
				t.Errorf("%s logs %q, which is chosen at run time: say in Spoken what it can be", m.Where, m.Expr)
			}
		}
		for _, text := range texts {
			if one := (said{m.Level, text}); !slices.Contains(found[one], m.Room) {
				found[one] = append(found[one], m.Room)
			}
		}
	}
	for key := range Spoken {
		if !used[key] {
			t.Errorf("nothing logs %q any more", key)
		}
	}
	if len(found) < 150 {
		t.Fatalf("%d messages are found: this test looks in the wrong place", len(found))
	}
	return found
}

// TestWhatIsChosenAtRunTimeStandsInItsRoom: each part of a text of Spoken that is no … is in the sources of the room.
func TestWhatIsChosenAtRunTimeStandsInItsRoom(t *testing.T) {
	for key, texts := range Spoken {
		room, _, _ := strings.Cut(key, " ")
		if room == "gateway/port" {
			continue // codes of conditions
		}
		var source strings.Builder
		files, err := filepath.Glob(filepath.Join("../..", room, "*.go"))
		if err != nil || files == nil {
			t.Fatalf("%s: %v", room, err)
		}
		for _, file := range files {
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			source.Write(b)
		}
		for _, text := range texts {
			for part := range strings.SplitSeq(text, "…") {
				if part = strings.Trim(part, " ,:)"); part != "" && !strings.Contains(source.String(), part) {
					t.Errorf("%s: %q stands nowhere in the room", key, part)
				}
			}
		}
	}
}

var headings = []struct{ level, heading string }{
	{"error", "## Errors: somebody has to act"}, {"warn", "## Warnings: look at it when there is time"},
	{"info", "## What goes on"}, {"debug", "## For developers"},
}

// written reads the page: what a person wrote beside each message.
func written(text string) map[said]string {
	all := map[said]string{}
	level := ""
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		for _, h := range headings {
			if line == h.heading {
				level = h.level
			}
		}
		cells := strings.Split(strings.Trim(line, "|"), " | ")
		if level == "" || !strings.HasPrefix(line, "| `") || len(cells) < 2 {
			continue
		}
		message := strings.Trim(strings.TrimSpace(cells[0]), "`")
		meaning := ""
		if len(cells) > 2 {
			meaning = strings.TrimSpace(cells[2])
		}
		all[said{level, message}] = meaning
	}
	return all
}

// compose writes the page anew, in the order of the alphabet.
func compose(begin string, found map[said][]string, meanings map[said]string) string {
	var b strings.Builder
	b.WriteString(begin)
	for _, h := range headings {
		fmt.Fprintf(&b, "%s\n\n", h.heading)
		meant := h.level == "error" || h.level == "warn"
		if meant {
			b.WriteString("| it says | from | what it means, and what to do |\n| --- | --- | --- |\n")
		} else {
			b.WriteString("| it says | from |\n| --- | --- |\n")
		}
		for _, one := range slices.SortedFunc(maps.Keys(found), func(x, y said) int { return strings.Compare(x.text, y.text) }) {
			if one.level != h.level {
				continue
			}
			rooms := found[one]
			slices.Sort(rooms)
			row := fmt.Sprintf("| `%s` | %s |", one.text, strings.Join(rooms, ", "))
			if meant {
				row += " " + meanings[one] + " |"
			}
			b.WriteString(row + "\n")
		}
		b.WriteString("\n")
	}
	return strings.TrimRight(b.String(), "\n") + "\n"
}

// TestEveryMessageIsInTheCatalogue: the page of the manual has each message that the program logs and no other, and says of each warning
// and each error what it means.
func TestEveryMessageIsInTheCatalogue(t *testing.T) {
	found := inSources(t)
	b, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	begin, _, ok := strings.Cut(string(b), headings[0].heading)
	if !ok {
		t.Fatalf("%s has no heading %q", page, headings[0].heading)
	}
	meanings := written(string(b))
	text := compose(begin, found, meanings)
	if *update {
		if err := os.WriteFile(page, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if text != string(b) {
		for one := range found {
			if _, there := meanings[one]; !there {
				t.Errorf("the catalogue lacks the %s %q of %v", one.level, one.text, found[one])
			}
		}
		for one := range meanings {
			if found[one] == nil {
				t.Errorf("the catalogue has the %s %q, which nothing logs", one.level, one.text)
			}
		}
		t.Errorf("%s is not as it would be written: go test ./gateway/logged -update", page)
	}
	counts := map[string]int{}
	for one := range found {
		counts[one.level]++
		if (one.level == "error" || one.level == "warn") && len(meanings[one]) < 10 {
			t.Errorf("the catalogue does not say what the %s %q means, and what to do", one.level, one.text)
		}
	}
	t.Logf("%d errors, %d warnings, %d of what goes on, %d for developers", counts["error"], counts["warn"], counts["info"], counts["debug"])
}
