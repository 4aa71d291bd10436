// Package learn works out a layout from what a balance printed: captured bytes go in, and layouts that layout.Parse accepts
// come out, best first, with the reasons, the doubts and the questions that only a person can answer.
//
// It goes by evidence and not by names of makers: what stays, what changes and how, which sums prove a check, what is
// different while consecutive values still move; and by what the whole trade shares: the symbols of units, and common words
// such as "net", "brutto" or "stable" in several languages.
//
// # Promises
//
//   - A candidate's Layout is accepted by layout.Parse, and reads at least the frames that the candidate counts in Fits.
//   - Nothing is guessed that could make a weight wrong. Where two explanations read a frame differently and nothing tells
//     them apart, both are shown (Equal, Differs), and the one that says less comes first; where that leaves open which number
//     is the weight, or what its decimal sign is, there is no candidate, Why says so and a Question asks.
//   - Every frame of the sample is accounted for: it fits the first candidate, or Frames says in a sentence why it does not.
//   - From neither reads nor writes anything, keeps no clock, and takes bounded time and memory for any bytes: it looks at the
//     first MostBytes and MostFrames and says what it left out.
//
// # Confidence
//
// A candidate's Confidence is from 0 to 1: the share of the sample's frames that it reads, times how much the sample can show
// (from 3 frames: 0.6, from 10 on: 1), times 0.9 for each doubt that bears on the reading, times 0.5 where another
// explanation fits as well. It is an order of how far to trust, not a probability.
package learn

import (
	"errors"
	"fmt"
)

// Limits of what From looks at.
const (
	MostBytes  = 1 << 20 // of a sample
	MostFrames = 10000   // of a sample
	FewFrames  = 3       // fewer frames than this show nothing
)

// ErrNoBytes is From's answer to a sample without bytes.
var ErrNoBytes = errors.New("the sample holds no bytes: let the balance print a few lines, and try again")

// Sample is what a balance sent.
type Sample struct {
	Bytes []byte
	// Pauses are the offsets in Bytes before which the line was silent for longer than a character takes; nil where that is
	// not known, as in a file.
	Pauses []int
}

// Result is what a sample tells.
type Result struct {
	Frames     []Frame     `json:"frames"`
	Candidates []Candidate `json:"candidates"`         // best first
	Questions  []Question  `json:"questions"`          // the ones that matter most first
	Why        string      `json:"why,omitempty"`      // why there is no candidate
	LeftOut    string      `json:"left_out,omitempty"` // what From did not look at, in a sentence
}

// Frame is one frame of the sample, cut as the first candidate cuts it.
type Frame struct {
	Number  int    `json:"number"` // from 1
	Offset  int    `json:"offset"` // in the sample
	Bytes   []byte `json:"bytes"`
	Text    string `json:"text"`              // Bytes made harmless, for people: control characters as <CR>, other bytes as <FF>
	Opening bool   `json:"opening,omitempty"` // nothing shows that its beginning was heard: it may be the rest of a line
	Fits    bool   `json:"fits"`
	Why     string `json:"why,omitempty"`   // why it does not fit, as the layout says it
	Reads   string `json:"reads,omitempty"` // what the first candidate reads, in short: "12.3450 g net stable"
}

// Text is the text of a layout. In JSON it is one.
type Text []byte

// MarshalText gives the text.
func (t Text) MarshalText() ([]byte, error) { return t, nil }

// UnmarshalText takes it.
func (t *Text) UnmarshalText(b []byte) error { *t = append(Text(nil), b...); return nil }

// Candidate is one layout that explains the sample.
type Candidate struct {
	Layout     Text      `json:"layout"` // commented YAML
	Fits       int       `json:"fits"`   // how many of the sample's frames it reads
	Of         int       `json:"of"`
	Confidence float64   `json:"confidence"`        // see the package doc
	Equal      bool      `json:"equal"`             // fits as well as the first, and reads something differently
	Differs    string    `json:"differs,omitempty"` // in what a reading differs from the first candidate's
	Pieces     [][]Piece `json:"pieces"`            // for each of Result.Frames
	Doubts     []Doubt   `json:"doubts"`
}

// Piece is a part of a frame and what it is.
type Piece struct {
	From  int    `json:"from"` // in Frame.Bytes
	To    int    `json:"to"`
	What  string `json:"what"`            // a field of package layout, "text" for what stands for itself, "start", "end", "unread"
	Value string `json:"value,omitempty"` // what it reads as
}

// Doubt is something that the sample does not settle.
type Doubt struct {
	Key  string `json:"key"`  // the key of the question that would settle it, or ""
	Text string `json:"text"` // a sentence
}

// Question is something that a person can know and the bytes do not say.
//
// Its Key is one of display:N (what the display showed for frame N), settled:N (was it settled then), word:W (what a printed
// word or mark means), unit (the unit of a balance that prints none), unit:S (what a printed symbol stands for), date (the
// order of the date), decimal (what the comma or point is), check (the kind of check), number (which number of the line is
// the weight), text:N (what the text in a certain place is).
type Question struct {
	Key     string   `json:"key"`
	Text    string   `json:"text"`
	Frame   int      `json:"frame,omitempty"`   // the number of the frame it is about, 0 for all
	Choices []Choice `json:"choices,omitempty"` // empty: free text
}

// Choice is one answer to a question.
type Choice struct {
	Value string `json:"value"`
	Text  string `json:"text"`
}

// From works out layouts for a sample. Its error says that the sample or the answers cannot be used at all; that nothing
// can be said without guessing is no error, but a Result without candidates and with Why.
func From(s Sample, a Answers) (*Result, error) {
	if len(s.Bytes) == 0 {
		return nil, ErrNoBytes
	}
	if err := a.Mistake(); err != nil {
		return nil, err
	}
	r := &Result{}
	if len(s.Bytes) > MostBytes {
		r.LeftOut = fmt.Sprintf("only the first %d bytes of %d were looked at", MostBytes, len(s.Bytes))
		s.Bytes = s.Bytes[:MostBytes]
	}
	return learn(s, a, r)
}
