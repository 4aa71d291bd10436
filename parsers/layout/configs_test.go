package layout_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// TestExampleLayouts reads the lines that the comment of each example layout shows as printed by its balance.
func TestExampleLayouts(t *testing.T) {
	files, err := filepath.Glob("../../configs/layouts/*.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d example layouts, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			src, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			l := parse(t, string(src))
			if !strings.HasPrefix(string(src), "# ") {
				t.Error("the file does not begin with a comment that explains it")
			}
			var shown []string
			for line := range strings.SplitSeq(string(src), "\n") {
				if example, ok := strings.CutPrefix(line, "#   "); ok {
					shown = append(shown, example)
				}
			}
			if len(shown) == 0 {
				t.Fatal("the comment shows no line of the balance, indented by three blanks")
			}
			if strings.Contains(string(src), "\nblock:") {
				shown = []string{strings.Join(shown, "\r\n")}
			}
			for _, example := range shown {
				if why := readExample(l, string(src), example); why != "" {
					t.Errorf("%q: %s", example, why)
				}
			}
		})
	}
}

// readExample applies one line of a comment, in the code page of its layout. A comment does not show the blanks that a
// line may end with.
func readExample(l *layout.Layout, src, example string) (why string) {
	example = strings.NewReplacer("<STX>", "\x02", "<ETX>", "\x03").Replace(example)
	if strings.Contains(src, "code_page: cp850") {
		example = strings.ReplaceAll(example, "ä", "\x84")
	}
	for _, blanks := range []string{"", " ", "  ", "   ", "    "} {
		for _, end := range []string{"\r\n", "\r"} {
			var refusals []string
			frames := 0
			s := l.Splitter()
			emit := func(f frame.Frame) {
				frames++
				var r layout.Reading
				if err := l.Apply(f, &r); err != nil {
					refusals = append(refusals, err.Error())
				}
			}
			s.Push([]byte(example+blanks+end), emit)
			s.Flush(emit)
			if frames == 1 && refusals == nil {
				return ""
			}
			why = fmt.Sprintf("%d frames, refused: %q", frames, refusals)
		}
	}
	return why
}
