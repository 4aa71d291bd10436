// Package frame cuts a stream of bytes into frames: printed lines, enclosed telegrams or whole print blocks.
//
// A Rule says where frames begin and end; a Splitter follows it. Whatever way the stream is chunked, the same bytes give
// the same frames. A Splitter holds no more than its rule's MaxLength allows: a stream without an end costs no memory and
// gives one faulty frame a run-away. It has no clock: whoever reads the port tells it when the line fell silent.
//
// What is doubtful is a frame with a Fault and never a value: bytes outside of frames, a frame that stopped half way, a
// line with a silence inside. Only what is blank (spaces, tabs and line ends alone) passes without a word.
//
//	s, err := frame.New(frame.Rule{Terminators: [][]byte{[]byte("\r\n")}})
//	s.Push([]byte("   12.3450 g\r\n"), func(f frame.Frame) { fmt.Printf("%d: %s", f.Offset, f.Body) })
//
// The package owns boundaries. What the bytes say, and whether check characters agree, is for the layout.
package frame

// Frame is one run of bytes of the stream. Its slices are valid during the call that hands it over, no longer.
type Frame struct {
	// Bytes is everything from the frame's first byte to its last as received, with start bytes, end bytes, trailer and
	// terminators. Of a frame that was too long it holds the first MaxLength bytes.
	Bytes []byte
	// Body is what lies between start and end: a line without its terminator, a telegram without start, end and trailer, a
	// print block from its first line to the end of its last line that is not blank. It is nil where Fault is set.
	Body []byte
	// Trailer holds the check characters that follow the end bytes, where the rule has some.
	Trailer []byte
	// Lines gives each line of the body as a part of Bytes, without its terminator; blank lines between others count.
	// It is nil where Fault is set.
	Lines []Span

	Offset int64 // of the first byte in the stream, from 0 at New
	End    int64 // offset after the frame's last byte, bytes that were not kept included

	// Opening is set on the first frame after New, Reset or Flush where nothing shows that its beginning was heard: no
	// start bytes, no first-line pattern, no silence before it.
	Opening bool
	// Fault says in a sentence why these bytes are no frame, or is "".
	Fault string
}

// Span is a part of Frame.Bytes: Bytes[From:To].
type Span struct{ From, To int }

// blank says whether a line shows nothing on paper. NUL is not blank: bytes with bad parity arrive as NUL.
func blank(line []byte) bool {
	for _, c := range line {
		switch c {
		case ' ', '\t', '\r', '\n', '\v', '\f':
		default:
			return false
		}
	}
	return true
}
