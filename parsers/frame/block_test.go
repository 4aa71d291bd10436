package frame_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/frame"
)

func TestBlocks(t *testing.T) {
	lf := marks("\n")
	pause := time.Second
	blankEnd := frame.Rule{Terminators: lf, Block: &frame.Block{BlankLines: 1}}
	firstLast := frame.Rule{Terminators: lf, Block: &frame.Block{First: begins("--"), Last: begins("==")}}
	for _, c := range []struct {
		name   string
		rule   frame.Rule
		stream string
		want   []string
	}{
		{"a blank line ends it", blankEnd, "\n\nG 3\nN 2\n\nG 5\n \n", []string{"2:G 3\nN 2", "11:G 5"}},
		{"two blank lines end it", frame.Rule{Terminators: lf, Block: &frame.Block{BlankLines: 2}}, "G 3\n\nN 2\n\n\nx\n\n\n",
			[]string{"0:G 3\n\nN 2", "11:x"}},
		{"CR LF is one line end, not a blank line", frame.Rule{Terminators: marks("\r", "\n", "\r\n"), Block: &frame.Block{BlankLines: 1}},
			"G 3\r\nN 2\r\n\r\n", []string{"0:G 3\r\nN 2"}},
		{"first and last", firstLast, "--\nG 3\n\nN 2\n==\n--\nG 5\n==\n", []string{"0:--\nG 3\n\nN 2\n==", "15:--\nG 5\n=="}},
		{"lines outside", firstLast, "N 2\n==\n\n--\nG\n==\nx\n", []string{
			"0!N 2\n!the line stands outside ", "4!==\n!the line stands outside ", "8:--\nG\n==", "16!x\n!the line stands outside "}},
		{"a last line that got lost", firstLast, "--\nG 3\n--\nG 5\n==\n", []string{"0!--\nG 3\n!the print block stopped ", "7:--\nG 5\n=="}},
		{"the same rule above and below", frame.Rule{Terminators: lf, Block: &frame.Block{First: begins("--"), Last: begins("--")}},
			"--\nG\n--\n--\nN\n--\n", []string{"0:--\nG\n--", "8:--\nN\n--"}},
		{"last only, and in one line", frame.Rule{Terminators: lf, Block: &frame.Block{Last: begins("N")}}, "G 1\nN 2\nN 3\n", []string{"0:G 1\nN 2", "8:N 3"}},
		{"the whole line", frame.Rule{Terminators: lf, Block: &frame.Block{Last: []frame.Pattern{{Text: []byte("E"), Exact: true}}}}, "A\nEE\nE\n",
			[]string{"0:A\nEE\nE"}},
		{"a silence ends it", frame.Rule{Terminators: lf, IdleGap: pause, Block: &frame.Block{}}, "G 1\nN 2\n" + gap + "\n" + gap + "G 3\n", []string{"0:G 1\nN 2", "9:G 3"}},
		{"a silence before the last line", frame.Rule{Terminators: lf, IdleGap: pause, Block: &frame.Block{First: begins("--"), Last: begins("==")}},
			"--\nG\n" + gap + "N\n==\n", []string{"0!--\nG\n!the balance fell silent ", "5!N\n!the line stands outside ", "7!==\n!the line stands outside "}},
		{"a silence before the last line, where any line opens", frame.Rule{Terminators: lf, IdleGap: pause, Block: &frame.Block{Last: begins("==")}},
			"G\n" + gap + "N\n==\nT\n==\n", []string{"0!G\nN\n==\n!the balance fell silent ", "7:T\n=="}},
		{"a silence inside a line", frame.Rule{Terminators: lf, IdleGap: pause, Block: &frame.Block{BlankLines: 1}}, "G\nN 1" + gap + "2\n\nG\n\n",
			[]string{"0!G\nN 12\n\n!a line of the print bloc", "8:G"}},
		{"the file ends inside", blankEnd, "G 3\nN 2\n", []string{"0!G 3\nN 2\n!the file ends before the"}},
		{"the file ends inside a line", blankEnd, "G 3\nN", []string{"0!G 3\nN!a line of the print bloc"}},
		{"the file ends inside the first line", blankEnd, "G", []string{"0!G!the file ends in the mid"}},
		{"too many lines", frame.Rule{Terminators: lf, Block: &frame.Block{BlankLines: 1, MaxLines: 2}}, "1\n2\n3\n4\n\n5\n6\n\n7\n\n",
			[]string{"0!1\n2\n!the print block has more", "9:5\n6", "14:7"}},
		{"too many lines, and line ends that come late", frame.Rule{Terminators: marks("\r", "\r\n"), Block: &frame.Block{BlankLines: 1, MaxLines: 2}},
			"1\r\n2\r\n3\r\n4\r\n\r\n5\r\r", []string{"0!1\r\n2\r\n!the print block has more", "14:5"}},
		{"too long", frame.Rule{Terminators: lf, MaxLength: 8, Block: &frame.Block{BlankLines: 1}}, "1234\n1234\n\n123\n45\n\n",
			[]string{"0!1234\n123!the frame is longer than", "11:123\n45"}},
		{"one line too long", frame.Rule{Terminators: lf, MaxLength: 8, Block: &frame.Block{BlankLines: 1}}, "1234567890\n1\n\n5\n\n",
			[]string{"0!12345678!a line of the print bloc", "14:5"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if have := brief(feed(splitter(t, c.rule), c.stream)); !slices.Equal(have, c.want) {
				t.Errorf("\nhave %q\nwant %q", have, c.want)
			}
		})
	}
}

func TestLinesOfABlock(t *testing.T) {
	s := splitter(t, frame.Rule{Terminators: marks("\r", "\r\n"), Block: &frame.Block{Last: begins("==")}})
	frames := feed(s, "G 3 g\r\n\r\nN 2 g\r== \r")
	want := got{
		Bytes: "G 3 g\r\n\r\nN 2 g\r== \r", Body: "G 3 g\r\n\r\nN 2 g\r== ", Lines: []string{"G 3 g", "", "N 2 g", "== "},
		End: 19, Opening: true,
	}
	if len(frames) != 1 || frames[0].Bytes != want.Bytes || frames[0].Body != want.Body ||
		!slices.Equal(frames[0].Lines, want.Lines) || frames[0].End != want.End || !frames[0].Opening {
		t.Errorf("\nhave %+v\nwant %+v", frames, want)
	}
}

func TestTooManyLinesSaysWhatWasNotKept(t *testing.T) {
	s := splitter(t, frame.Rule{Terminators: marks("\n"), Block: &frame.Block{BlankLines: 1, MaxLines: 3}})
	frames := feed(s, strings.Repeat("12345678\n", 1000)+"\n")
	if len(frames) != 1 || frames[0].End != 9001 || len(frames[0].Bytes) != 27 || !strings.Contains(frames[0].Fault, "8974 further bytes") {
		t.Errorf("%+v", frames)
	}
}
