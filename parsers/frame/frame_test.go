package frame_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/frame"
)

// got is a frame that outlives its call.
type got struct {
	Bytes, Body, Trailer string
	Lines                []string
	Offset, End          int64
	Opening              bool
	Fault                string
}

func keep(f frame.Frame) got {
	g := got{string(f.Bytes), string(f.Body), string(f.Trailer), nil, f.Offset, f.End, f.Opening, f.Fault}
	for _, l := range f.Lines {
		g.Lines = append(g.Lines, string(f.Bytes[l.From:l.To]))
	}
	return g
}

// collect appends what is emitted to frames.
func collect(frames *[]got) func(frame.Frame) {
	return func(f frame.Frame) { *frames = append(*frames, keep(f)) }
}

func splitter(t *testing.T, r frame.Rule) *frame.Splitter {
	t.Helper()
	s, err := frame.New(r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func marks(texts ...string) (out [][]byte) {
	for _, s := range texts {
		out = append(out, []byte(s))
	}
	return out
}

func begins(texts ...string) (out []frame.Pattern) {
	for _, s := range texts {
		out = append(out, frame.Pattern{Text: []byte(s)})
	}
	return out
}

// gap in a stream of a case below stands for a silence.
const gap = "\x1bGAP\x1b"

// feed pushes a stream with silences and the end of the file.
func feed(s *frame.Splitter, stream string) (frames []got) {
	for i, part := range strings.Split(stream, gap) {
		if i > 0 {
			s.Idle(collect(&frames))
		}
		s.Push([]byte(part), collect(&frames))
	}
	s.Flush(collect(&frames))
	return frames
}

// brief writes frames as the tests below expect them: offset and body, or offset, bytes and the start of the fault.
func brief(frames []got) (out []string) {
	for _, f := range frames {
		switch {
		case f.Fault != "":
			out = append(out, fmt.Sprintf("%d!%s!%.24s", f.Offset, f.Bytes, f.Fault))
		case f.Trailer != "":
			out = append(out, fmt.Sprintf("%d:%s+%s", f.Offset, f.Body, f.Trailer))
		default:
			out = append(out, fmt.Sprintf("%d:%s", f.Offset, f.Body))
		}
	}
	return out
}

func TestStreams(t *testing.T) {
	crlf := marks("\r\n")
	mix := marks("\r", "\n", "\r\n")
	stx := frame.Rule{Start: []byte("\x02"), End: []byte("\x03")}
	bcc := frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), Trailer: 1}
	pause := 50 * time.Millisecond
	for _, c := range []struct {
		name   string
		rule   frame.Rule
		stream string
		want   []string
	}{
		{"CR LF lines", frame.Rule{Terminators: crlf}, "12.3 g\r\n4 g\r\n", []string{"0:12.3 g", "8:4 g"}},
		{"a lone CR does not end a CR LF line", frame.Rule{Terminators: crlf}, "1\r2\r\n", []string{"0:1\r2"}},
		{"blank lines are passed over", frame.Rule{Terminators: crlf}, "\r\n  \r\n1 g\r\n\t\r\n", []string{"6:1 g"}},
		{"mixed ends", frame.Rule{Terminators: mix}, "a\rb\nc\r\nd\n\re\r", []string{"0:a", "2:b", "4:c", "7:d", "10:e"}},
		{"CR, or CR LF without LF alone", frame.Rule{Terminators: marks("\r", "\r\n")}, "a\r\nb\rc\r\n", []string{"0:a", "3:b", "5:c"}},
		{"a longer end that does not come true", frame.Rule{Terminators: marks("\r", "\r\r\n")}, "a\rb\r\r\nc\r\rd\r",
			[]string{"0:a", "2:b", "6:c", "9:d"}},
		{"a longer end right after a line end", frame.Rule{Terminators: marks("\r", "\r\r\n")}, "a\r\r\r\nb\r", []string{"0:a", "5:b"}},
		{"the last line of a file lacks its end", frame.Rule{Terminators: crlf}, "1 g\r\n2", []string{"0:1 g", "5!2!the file ends in the mid"}},
		{"NULs are not blank", frame.Rule{Terminators: crlf}, "\x00\x00\r\n", []string{"0:\x00\x00"}},
		{"a silence inside a line", frame.Rule{Terminators: crlf, IdleGap: pause}, "1" + gap + "2.3 g\r\n4 g\r\n",
			[]string{"0!12.3 g\r\n!the balance fell silent ", "8:4 g"}},
		{"a silence after blanks only", frame.Rule{Terminators: marks("\r"), IdleGap: pause}, "1 g\r\n" + gap + "2 g\r", []string{"0:1 g", "4:\n2 g"}},
		{"silence ends frames", frame.Rule{IdleGap: pause}, "1.0 g" + gap + gap + "2.0 g" + gap + "  " + gap + "3", []string{"0:1.0 g", "5:2.0 g", "12:3"}},

		{"enclosed", stx, "\x0212 g\x03\x0213 g\x03", []string{"0:12 g", "6:13 g"}},
		{"line ends between enclosed frames", stx, "\x021\x03\r\n\x022\x03\r\n", []string{"0:1", "5:2"}},
		{"bytes outside", stx, "34 g\x03\x021\x03xy", []string{"0!34 g\x03!these bytes came outside", "5:1", "8!xy!these bytes came outside"}},
		{"an end that got lost", stx, "\x0212.\x0213.5\x03", []string{"0!\x0212.!the frame stopped before", "4:13.5"}},
		{"a printable start is text inside", frame.Rule{Start: []byte("N"), Terminators: crlf}, "N 1N2 g\r\n", []string{"0: 1N2 g"}},
		{"an end as long as the start", frame.Rule{Start: []byte("<<"), End: []byte(">>")}, "<<1>2>><<>>", []string{"0:1>2"}},
		{"an end that overlaps the start", frame.Rule{Start: []byte("A"), End: []byte("AB")}, "AB1AB", []string{"0:B1"}},
		{"a silence before the check character, no start", frame.Rule{End: []byte("\x03"), Trailer: 1, IdleGap: pause}, "1\x03" + gap + "2\x03B",
			[]string{"0!1\x03!the balance fell silent ", "2:2+B"}},
		{"one check character", bcc, "\x0212 g\x03A\r\n\x0213 g\x03B", []string{"0:12 g+A", "9:13 g+B"}},
		{"a check that looks like an end", bcc, "\x021\x03\x03\x022\x03\x02\x023\x03\r", []string{"0:1+\x03", "4:2+\x02", "8:3+\r"}},
		{"two check characters after ETX, no start", frame.Rule{End: []byte("\x03"), Trailer: 2}, "1\x03AB\r\n2\x03CD", []string{"0:1+AB", "6:2+CD"}},
		{"start and a line end", frame.Rule{Start: []byte("\x02"), Terminators: crlf}, "9 g\r\n\x021 g\r\n\r\n\x022 g\r\n",
			[]string{"0!9 g\r\n!these bytes came outside", "5:1 g", "13:2 g"}},
		{"start as LF", frame.Rule{Start: []byte("\n"), Terminators: marks("\r")}, "\n1 g\r\n2 g\r", []string{"0:1 g", "5:2 g"}},
		{"a file ends inside", bcc, "\x021 g\x03", []string{"0!\x021 g\x03!the file ends in the mid"}},
		{"a silence inside an enclosed frame", frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), IdleGap: pause}, "\x021" + gap + "2\x03\x023\x03",
			[]string{"0!\x021!the balance fell silent ", "2!2\x03!these bytes came outside", "4:3"}},

		{"fixed length after a start", frame.Rule{Start: []byte("\x02"), Length: 4}, "x\x0212\x02\x02abc\x02", []string{
			"0!x!these bytes came outside", "1:12\x02", "5:abc", "9!\x02!the file ends in the mid"}},
		{"fixed length and silence", frame.Rule{Length: 3, IdleGap: pause}, "abcde" + gap + "fgh", []string{
			"0:abc", "3!de!the balance fell silent ", "5:fgh"}},

		{"too long", frame.Rule{Terminators: crlf, MaxLength: 6}, "1234\r\n12345\r\n1 g\r\n", []string{
			"0:1234", "6!12345\r!the frame is longer than", "13:1 g"}},
		{"a start ends a run-away", frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), MaxLength: 4}, "\x0212345\x0212\x03", []string{
			"0!\x02123!the frame is longer than", "6:12"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if have := brief(feed(splitter(t, c.rule), c.stream)); !slices.Equal(have, c.want) {
				t.Errorf("\nhave %q\nwant %q", have, c.want)
			}
		})
	}
}

func TestLinesOfAnEnclosedFrame(t *testing.T) {
	s := splitter(t, frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), Terminators: marks("\r", "\r\n")})
	frames := feed(s, "\x02G 3 g\r\nT 1 g\rN 2 g\r\n\x03")
	if len(frames) != 1 || !slices.Equal(frames[0].Lines, []string{"G 3 g", "T 1 g", "N 2 g"}) {
		t.Errorf("%+v", frames)
	}
}

func TestOpeningMarksWhatMayHaveBegunUnheard(t *testing.T) {
	opening := func(frames []got) (out []bool) {
		for _, f := range frames {
			out = append(out, f.Opening)
		}
		return out
	}
	s := splitter(t, frame.Rule{Terminators: marks("\n"), IdleGap: time.Second})
	var frames []got
	s.Push([]byte("345 g\n1 g\n"), collect(&frames))
	s.Reset()
	s.Push([]byte("2 g\n"), collect(&frames))
	s.Reset()
	s.Idle(collect(&frames)) // a silence shows that the next byte begins a line
	s.Push([]byte("3 g\n"), collect(&frames))
	if want := []bool{true, false, true, false}; !slices.Equal(opening(frames), want) {
		t.Errorf("opening %v, want %v", opening(frames), want)
	}
	if frames := feed(splitter(t, frame.Rule{Start: []byte("\x02"), End: []byte("\x03")}), "\x021\x03"); frames[0].Opening {
		t.Error("a frame with start bytes is marked as opening")
	}
}

func TestResetNeverJoins(t *testing.T) {
	for _, c := range []struct {
		rule   frame.Rule
		before string
		after  string
		want   []string
	}{
		{frame.Rule{Terminators: marks("\r\n")}, "12.", "345 g\r\n", []string{"3:345 g"}},
		{frame.Rule{Terminators: marks("\r\n")}, "12.3 g\r", "\n1 g\r\n", []string{"7:\n1 g"}},
		{frame.Rule{Terminators: marks("\r", "\r\r\n")}, "1\r\r", "\n2 g\r", []string{"0:1", "3:\n2 g"}},
		{frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), Trailer: 1}, "\x0212\x03", "\x021\x03X", []string{"4:1+X"}},
		{frame.Rule{Terminators: marks("\n"), Block: &frame.Block{Last: begins("=")}}, "G 1\nN 2", "\nT 3\n=\n", []string{"8:T 3\n="}},
	} {
		s := splitter(t, c.rule)
		var frames []got
		s.Push([]byte(c.before), collect(&frames))
		pending := s.Pending()
		if dropped := s.Reset(); dropped != pending || dropped == 0 || s.Pending() != 0 {
			t.Errorf("%q: Reset dropped %d, %d were pending before and %d after", c.before, dropped, pending, s.Pending())
		}
		s.Push([]byte(c.after), collect(&frames))
		if have := brief(frames); !slices.Equal(have, c.want) {
			t.Errorf("%q, reset, %q:\nhave %q\nwant %q", c.before, c.after, have, c.want)
		}
	}
}

// TestRunAwaysCostOneFault sends 100 MB without an end (8 MB under the rules that are no plain lines): memory stays as it
// is, and one fault tells of all of it.
func TestRunAwaysCostOneFault(t *testing.T) {
	chunk := bytes.Repeat([]byte("7"), 1<<16)
	nul := make([]byte, 1<<16)
	for name, rule := range map[string]frame.Rule{
		"lines":    {Terminators: marks("\r\n")},
		"enclosed": {Start: []byte("\x02"), End: []byte("\n")},
		"block":    {Terminators: marks("\r\n"), Block: &frame.Block{BlankLines: 1}},
	} {
		size := 8 << 20
		if name == "lines" {
			size = 100 << 20
		}
		for _, fill := range [][]byte{chunk, nul} {
			s := splitter(t, rule)
			var frames []got
			emit := collect(&frames)
			s.Push([]byte("\x021"), emit)
			// Warm up before counting allocations, as a port would.
			s.Push(fill, emit)
			if n := testing.AllocsPerRun(1, func() {
				for range size/len(fill)/2 - 1 {
					s.Push(fill, emit)
				}
			}); n != 0 {
				t.Errorf("%s: a run-away allocates %v times", name, n)
			}
			pending := s.Pending()
			s.Push([]byte("\r\n\r\n\x021 g\r\n\r\n"), emit)
			if len(frames) != 2 || frames[0].Fault == "" || frames[1].Fault != "" {
				t.Fatalf("%s: %d frames", name, len(frames))
			}
			f := frames[0]
			if pending < size-2*len(fill) || f.Offset != 0 || f.End < int64(pending) || len(f.Bytes) > 4096 || f.Body != "" {
				t.Errorf("%s: %d pending, fault from %d to %d with %d bytes", name, pending, f.Offset, f.End, len(f.Bytes))
			}
			if lost := fmt.Sprint(f.End - f.Offset - int64(len(f.Bytes))); !strings.Contains(f.Fault, lost) {
				t.Errorf("%s: %s bytes were not kept, but the fault says: %s", name, lost, f.Fault)
			}
			if frames[1].Offset < f.End || !strings.Contains(frames[1].Body, "1 g") {
				t.Errorf("%s: the frame after the run-away is %+v", name, frames[1])
			}
		}
	}
}

func TestRulesThatMakeNoSense(t *testing.T) {
	crlf := marks("\r\n")
	for _, c := range []struct {
		rule  frame.Rule
		field string
		what  string
	}{
		{frame.Rule{}, "Terminators", "nothing says where a frame ends"},
		{frame.Rule{Terminators: marks("")}, "Terminators", "has 0 bytes"},
		{frame.Rule{Terminators: marks("123456789")}, "Terminators", "has 9 bytes"},
		{frame.Rule{Terminators: marks("\r", "\r")}, "Terminators", "is there twice"},
		{frame.Rule{Start: []byte("|"), End: []byte("|")}, "End", "same as the start"},
		{frame.Rule{Start: []byte("\r"), Terminators: marks("\r")}, "Terminators", "same as the start"},
		{frame.Rule{Start: []byte("123456789"), End: []byte("x")}, "Start", "has 9 bytes"},
		{frame.Rule{End: []byte("123456789")}, "End", "has 9 bytes"},
		{frame.Rule{Terminators: crlf, Trailer: 1}, "Trailer", "no end bytes"},
		{frame.Rule{End: []byte("x"), Trailer: 9}, "Trailer", "is 9"},
		{frame.Rule{End: []byte("x"), Trailer: -1}, "Trailer", "is -1"},
		{frame.Rule{Terminators: crlf, IdleGap: -1}, "IdleGap", "negative"},
		{frame.Rule{Terminators: crlf, MaxLength: -5}, "MaxLength", "is -5"},
		{frame.Rule{Terminators: crlf, MaxLength: 1 << 20}, "MaxLength", "is 1048576"},
		{frame.Rule{Terminators: crlf, MaxLength: 2}, "MaxLength", "leaves no room"},
		{frame.Rule{Length: 10}, "Length", "wrong place"},
		{frame.Rule{Length: -1, IdleGap: 1}, "Length", "is -1"},
		{frame.Rule{Length: 1, Start: []byte("x")}, "Length", "is 1"},
		{frame.Rule{Length: 300, IdleGap: 1}, "Length", "above the maximum"},
		{frame.Rule{Length: 10, Start: []byte("x"), Terminators: crlf}, "Length", "as well"},
		{frame.Rule{IdleGap: 1, Block: &frame.Block{}}, "Block", "nothing ends a line"},
		{frame.Rule{Terminators: crlf, Block: &frame.Block{}}, "Block", "nothing ends the block"},
		{frame.Rule{Terminators: crlf, Start: []byte("x"), Block: &frame.Block{BlankLines: 1}}, "Block", "as well"},
		{frame.Rule{Terminators: crlf, Block: &frame.Block{BlankLines: 99}}, "Block.BlankLines", "is 99"},
		{frame.Rule{Terminators: crlf, Block: &frame.Block{BlankLines: 1, MaxLines: -1}}, "Block.MaxLines", "is -1"},
		{frame.Rule{Terminators: crlf, Block: &frame.Block{First: begins(""), BlankLines: 1}}, "Block.First", "blank"},
		{frame.Rule{Terminators: crlf, Block: &frame.Block{Last: begins(" ")}}, "Block.Last", "blank"},
	} {
		mistakes := c.rule.Check()
		if len(mistakes) != 1 || mistakes[0].Field != c.field || !strings.Contains(mistakes[0].What, c.what) || mistakes[0].Allowed == "" {
			t.Errorf("%+v: %v; want one about %s: %s", c.rule, mistakes, c.field, c.what)
		}
		if _, err := frame.New(c.rule); err == nil || len(mistakes) > 0 && !strings.Contains(err.Error(), mistakes[0].Error()) {
			t.Errorf("New(%+v): %v", c.rule, err)
		}
	}
}

func TestTheRuleIsCopied(t *testing.T) {
	end := []byte("\n")
	rule := frame.Rule{Terminators: [][]byte{end}}
	s := splitter(t, rule)
	end[0], rule.Terminators[0] = 'x', nil
	if have := brief(feed(s, "1x2\n")); !slices.Equal(have, []string{"0:1x2"}) {
		t.Errorf("%q", have)
	}
}
