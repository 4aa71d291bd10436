package screens

import (
	"slices"

	"weighpost/gateway/console"
	cut "weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// ReadFrame says how a layout reads the bytes of one frame.
func ReadFrame(l *layout.Layout, b []byte) console.FrameRead {
	read := console.FrameRead{Frame: b, Pieces: []console.FramePiece{}}
	var first *cut.Frame
	more := 0
	keep := func(f cut.Frame) { // what is handed over is valid until the next push only
		if more++; first == nil {
			f.Bytes, f.Body, f.Trailer, f.Lines = slices.Clone(f.Bytes), slices.Clone(f.Body), slices.Clone(f.Trailer), slices.Clone(f.Lines)
			first = &f
		}
	}
	s := l.Splitter()
	s.Push(b, keep)
	s.Idle(keep)
	s.Flush(keep)
	switch {
	case first == nil:
		read.Why = "there is no frame in these bytes"
		return read
	case more > 1:
		read.Why = "these bytes are more than one frame by this layout"
		return read
	}
	pieces, err := l.Pieces(*first)
	if err != nil {
		read.Why = err.Error()
	}
	for _, p := range pieces {
		read.Pieces = append(read.Pieces, console.FramePiece{Name: p.Name, From: p.From, To: p.To})
	}
	return read
}
