package learn

import (
	"bytes"
	"slices"
	"time"

	"weighpost/parsers/frame"
)

// framing is one way to cut the sample into frames, in the words of a layout's frame key.
type framing struct {
	ends       []string
	start, end string
	length     int
	gap        bool // an idle gap ends the frame
	trailer    int  // check characters after the end bytes
	first      []string
	last       []string
	blankLines int
	frames     []cut
}

// idleGap is the silence that a learnt layout waits for where nothing else ends a frame: longer than any pause inside a line
// at 300 baud (one character takes 33 ms there), shorter than the pause between two prints.
const idleGap = 50 * time.Millisecond

// cut is one frame of the sample. Its slices are parts of the sample or copies that nothing changes.
type cut struct {
	offset, end int
	bytes, body []byte
	trailer     []byte
	lines       []frame.Span
	opening     bool
	fault       string
}

// rule is the framing as package frame knows it.
func (f *framing) rule() frame.Rule {
	r := frame.Rule{Start: []byte(f.start), End: []byte(f.end), Length: f.length, Trailer: f.trailer}
	for _, e := range f.ends {
		r.Terminators = append(r.Terminators, []byte(e))
	}
	if f.gap {
		r.IdleGap = idleGap
	}
	if f.isBlock() {
		r.Block = &frame.Block{BlankLines: f.blankLines, MaxLines: 200}
		for _, p := range f.first {
			r.Block.First = append(r.Block.First, frame.Pattern{Text: []byte(p)})
		}
		for _, p := range f.last {
			r.Block.Last = append(r.Block.Last, frame.Pattern{Text: []byte(p)})
		}
	}
	return r
}

func (f *framing) isBlock() bool { return len(f.first) > 0 || len(f.last) > 0 || f.blankLines > 0 }

// cutSample splits the sample and keeps at most MostFrames frames. ok is false where the rule cannot work.
func (f *framing) cutSample(s Sample) (ok bool) {
	sp, err := frame.New(f.rule())
	if err != nil {
		return false
	}
	f.frames = nil // not cut to length 0: copies of f share the array
	splitWith(sp, s, func(fr frame.Frame) {
		if len(f.frames) < MostFrames {
			f.frames = append(f.frames, copyFrame(fr))
		}
	})
	return true
}

func copyFrame(fr frame.Frame) cut {
	c := cut{offset: int(fr.Offset), end: int(fr.End), opening: fr.Opening, fault: fr.Fault}
	c.bytes = bytes.Clone(fr.Bytes)
	if fr.Fault != "" {
		return c
	}
	at := 0
	if len(fr.Body) > 0 {
		at = max(0, bytes.Index(fr.Bytes, fr.Body))
	}
	c.body = c.bytes[at : at+len(fr.Body)]
	c.trailer = bytes.Clone(fr.Trailer)
	c.lines = slices.Clone(fr.Lines)
	return c
}

// splitWith feeds the sample to a splitter, with a silence at each pause.
func splitWith(sp *frame.Splitter, s Sample, emit func(frame.Frame)) {
	from := 0
	for _, p := range s.Pauses {
		if p <= from || p >= len(s.Bytes) {
			continue
		}
		sp.Push(s.Bytes[from:p], emit)
		sp.Idle(emit)
		from = p
	}
	sp.Push(s.Bytes[from:], emit)
	sp.Flush(emit)
}

// good are the frames without a fault.
func (f *framing) good() (all []cut) {
	for _, c := range f.frames {
		if c.fault == "" && len(bytes.TrimSpace(c.body)) > 0 {
			all = append(all, c)
		}
	}
	return all
}

// framings lists the ways to cut the sample that its control characters, its pauses or its periods speak for, likeliest first.
func framings(s Sample) []framing {
	var all []framing
	add := func(f framing) {
		if f.cutSample(s) && len(f.good()) > 0 {
			all = append(all, f)
		}
	}
	for _, f := range enclosed(s.Bytes) {
		add(f)
	}
	if len(all) > 0 && len(all[0].good()) >= FewFrames {
		return all
	}
	for _, f := range terminated(s.Bytes) {
		add(f)
	}
	if len(all) == 0 || len(all[0].good()) < FewFrames {
		if len(s.Pauses) >= FewFrames-1 {
			add(framing{gap: true})
		} else {
			for _, f := range periodic(s.Bytes) {
				add(f)
			}
		}
		for _, c := range ";#|*$!/\\>)]}" {
			if n := bytes.Count(s.Bytes, []byte(string(c))); n >= FewFrames && len(s.Pauses) == 0 && s.Bytes[len(s.Bytes)-1] == byte(c) && !bytes.ContainsAny(s.Bytes, "\r\n") {
				add(framing{ends: []string{string(c)}})
			}
		}
	}
	return all
}

func isControl(c byte) bool { return c < ' ' && c != '\t' || c == 0x7F }

// enclosed finds framings that begin with a control character: STX … ETX, SOH … CR LF, STX and a fixed length.
func enclosed(b []byte) (all []framing) {
	var counts [256]int
	for _, c := range b {
		counts[c]++
	}
	for c := byte(1); c < ' '; c++ {
		if counts[c] < FewFrames || c == '\r' || c == '\n' || c == '\t' || ends(c) && b[0] != c {
			continue
		}
		if f, ok := startedBy(b, c); ok {
			all = append(all, f...)
			if f[0].end != "" {
				break // what ends such a frame begins none
			}
		}
	}
	return all
}

// ends says that a control character is made to end something: ETX, EOT, ETB, FF, RS.
func ends(c byte) bool { return c == 3 || c == 4 || c == 0x17 || c == 0x0C || c == 0x1E }

// startedBy sees what the frames that begin with the control character c end with.
func startedBy(b []byte, c byte) (all []framing, ok bool) {
	segments := bytes.Split(b, []byte{c})[1:]
	printable := 0
	for _, s := range segments {
		if len(s) >= 3 && !isControl(s[0]) {
			printable++
		}
	}
	if printable < FewFrames || printable*10 < len(segments)*7 {
		return nil, false
	}
	start := string([]byte{c})
	for e := byte(0); e < ' '; e++ {
		if e == c || e == '\r' || e == '\n' || e == '\t' {
			continue
		}
		if trailer, fits := tailsAfter(segments, e); fits {
			all = append(all, framing{start: start, end: string([]byte{e}), trailer: trailer})
		}
	}
	if len(all) > 0 {
		return all, true
	}
	if ends, share := lineEndsOf(segments); share > 0.7 {
		return []framing{{start: start, ends: ends}}, true
	}
	if n, share := commonLength(segments); share > 0.7 && !bytes.ContainsAny(b, "\r\n") {
		return []framing{{start: start, length: n + 1}}, true
	}
	return nil, false
}

// tailsAfter measures what follows the end byte e in each segment: nothing, line ends, or always as many check characters.
func tailsAfter(segments [][]byte, e byte) (trailer int, ok bool) {
	lengths := map[int]int{}
	with := 0
	for i, s := range segments {
		at := bytes.IndexByte(s, e)
		if at < 2 {
			continue
		}
		tail := s[at+1:]
		if i == len(segments)-1 && len(segments) > FewFrames {
			continue // the last may be cut short
		}
		with++
		lengths[len(tail)-lineEndLength(tail)]++
		if lineEndLength(tail) > 0 && len(tail)-lineEndLength(tail) == 0 && len(tail) > 2 {
			lengths[len(tail)]++ // raw check characters may look like line ends
		}
	}
	best, most := 0, 0
	for n, count := range lengths {
		if count > most || count == most && n < best {
			best, most = n, count
		}
	}
	if with*10 < len(segments)*7 || most*10 < with*7 || best > frame.MaxMark {
		return 0, false
	}
	return best, true
}

// lineEndLength is how many bytes of CR and LF b ends with, at most two.
func lineEndLength(b []byte) int {
	switch {
	case bytes.HasSuffix(b, []byte("\r\n")), bytes.HasSuffix(b, []byte("\n\r")):
		return 2
	case bytes.HasSuffix(b, []byte("\r")), bytes.HasSuffix(b, []byte("\n")):
		return 1
	}
	return 0
}

// lineEndsOf finds the line ends that most segments end with.
func lineEndsOf(segments [][]byte) (ends []string, share float64) {
	counts := map[string]int{}
	for _, s := range segments {
		if n := lineEndLength(s); n > 0 {
			counts[string(s[len(s)-n:])]++
		}
	}
	total := 0
	for _, e := range []string{"\r\n", "\n\r", "\r", "\n"} {
		if counts[e] > 0 {
			ends, total = append(ends, e), total+counts[e]
		}
	}
	return ends, float64(total) / float64(max(1, len(segments)))
}

// commonLength is the length that most segments have.
func commonLength(segments [][]byte) (n int, share float64) {
	counts := map[int]int{}
	for _, s := range segments {
		if counts[len(s)]++; counts[len(s)] > counts[n] || counts[len(s)] == counts[n] && len(s) < n {
			n = len(s)
		}
	}
	if n < 3 {
		return 0, 0
	}
	return n, float64(counts[n]) / float64(max(1, len(segments)))
}

// terminated finds framings by what stands between printed lines.
func terminated(b []byte) []framing {
	if bytes.ContainsAny(b, "\r\n") {
		if f, ok := byLineEnds(b); ok {
			return f
		}
	}
	var counts [32]int
	for _, c := range b {
		if c < 32 && c != '\t' && c != 1 && c != 2 { // SOH and STX begin something
			counts[c]++
		}
	}
	var found []byte
	for c, n := range counts {
		if n >= FewFrames || n > 0 && len(b) < 200 {
			found = append(found, byte(c))
		}
	}
	slices.SortStableFunc(found, func(x, y byte) int { return counts[y] - counts[x] })
	var all []framing
	for _, c := range found {
		all = append(all, framing{ends: []string{string([]byte{c})}})
	}
	return all
}

// byLineEnds cuts at the runs of CR and LF that the sample has.
func byLineEnds(b []byte) ([]framing, bool) {
	counts := map[string]int{}
	total := 0
	for i := 0; i < len(b); {
		if b[i] != '\r' && b[i] != '\n' {
			i++
			continue
		}
		j := i
		for j < len(b) && (b[j] == '\r' || b[j] == '\n') && j-i < 64 {
			j++
		}
		if i > 0 { // what the sample begins with may be half of a line end
			for _, e := range unitsOf(string(b[i:j])) {
				counts[e]++
				total++
			}
		}
		i = j
	}
	if total == 0 {
		return nil, false
	}
	f := framing{}
	for _, e := range []string{"\r\r\n", "\r\n", "\n\r", "\r", "\n"} {
		// A rare other end is a byte of a raw check, or damage.
		if n := counts[e]; n > 0 && (n*8 >= total || total < 12) {
			f.ends = append(f.ends, e)
		}
	}
	return []framing{withTail(b, f)}, true
}

// unitsOf takes a run of CR and LF apart into line ends of one kind where it can.
func unitsOf(run string) (ends []string) {
	for _, e := range []string{"\r\r\n", "\r\n", "\n\r", "\r", "\n"} {
		if len(run)%len(e) == 0 && run == repeat(e, len(run)/len(e)) {
			return slices.Repeat([]string{e}, len(run)/len(e))
		}
	}
	for run != "" {
		n := 1
		if len(run) > 1 && run[:2] == "\r\n" {
			n = 2
		}
		ends, run = append(ends, run[:n]), run[n:]
	}
	return ends
}

func repeat(s string, n int) string { return string(bytes.Repeat([]byte(s), n)) }

// withTail adds a control character that ends every line before its line end, such as ETX CR LF, to the line end.
func withTail(b []byte, f framing) framing {
	if len(f.ends) != 1 {
		return f
	}
	e := []byte(f.ends[0])
	counts := map[byte]int{}
	lines := 0
	for at := bytes.Index(b, e); at >= 0; {
		if at > 0 && b[at-1] != '\r' && b[at-1] != '\n' {
			counts[b[at-1]]++
			lines++
		}
		next := bytes.Index(b[at+len(e):], e)
		if next < 0 {
			break
		}
		at += len(e) + next
	}
	for c, n := range counts {
		if isControl(c) && n == lines && lines >= FewFrames {
			f.ends[0] = string([]byte{c}) + f.ends[0]
		}
	}
	return f
}

// periodic finds frames of a fixed length without any end: the same text returns at the same distance.
func periodic(b []byte) (all []framing) {
	if len(b) > 1<<16 {
		b = b[:1<<16]
	}
	for n := 6; n <= 80 && n*FewFrames <= len(b); n++ {
		first := b[0]
		if isDigit(first) || isLetter(first) || first == ' ' || isControl(first) || isSign(first) || first == '.' {
			break
		}
		same := 0
		for i := 0; i+n <= len(b); i += n {
			if b[i] == first {
				same++
			}
		}
		if same == len(b)/n && bytes.Count(b, []byte{first}) == (len(b)+n-1)/n {
			all = append(all, framing{start: string([]byte{first}), length: n})
		}
	}
	return all
}

func isDigit(c byte) bool { return c-'0' <= 9 }
