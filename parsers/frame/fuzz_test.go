package frame_test

import (
	"bytes"
	"reflect"
	"testing"
	"time"

	"weighpost/parsers/frame"
)

// fuzzRules are one rule of each kind.
var fuzzRules = []frame.Rule{
	{Terminators: marks("\r", "\n", "\r\n"), MaxLength: 32},
	{Terminators: marks("\r", "\r\r\n"), IdleGap: time.Second, MaxLength: 32},
	{Start: []byte("\x02"), End: []byte("\x03"), Trailer: 1, MaxLength: 32},
	{Start: []byte("<<"), End: []byte(">>"), IdleGap: time.Second, MaxLength: 32},
	{Start: []byte("\n"), Terminators: marks("\r"), MaxLength: 32},
	{End: []byte("\x03"), Trailer: 2, Terminators: marks("\r\n"), MaxLength: 32},
	{Start: []byte("\x02"), Length: 7},
	{Length: 5, IdleGap: time.Second},
	{IdleGap: time.Second, MaxLength: 32},
	{Terminators: marks("\r", "\r\n"), MaxLength: 64, Block: &frame.Block{BlankLines: 2, MaxLines: 8}},
	{Terminators: marks("\n"), MaxLength: 64, IdleGap: time.Second, Block: &frame.Block{First: begins("--"), Last: begins("=="), MaxLines: 8}},
}

// FuzzSplitter pushes any bytes under each kind of rule, whole and cut; 0xFF in cuts is a silence.
func FuzzSplitter(f *testing.F) {
	for i := range fuzzRules {
		f.Add(byte(i), []byte("--\r\n\x02N  12.3450 g \x03A\r\n<<1>>\r\r\n==\r\n\r\n\r\nG 1"), []byte{1, 2, 0xFF, 7})
	}
	f.Fuzz(func(t *testing.T, which byte, stream, cuts []byte) {
		r := fuzzRules[int(which)%len(fuzzRules)]
		one, err := frame.New(r)
		if err != nil {
			t.Fatal(err)
		}
		two, _ := frame.New(r)
		var whole, pieces []got
		rest := stream
		for i := 0; len(rest) > 0; i++ {
			n, silence := len(rest), false
			if i < len(cuts) {
				n, silence = min(n, int(cuts[i])), cuts[i] == 0xFF
			}
			part := bytes.Clone(rest[:n])
			one.Push(part, collect(&whole))
			for j := range part {
				two.Push(part[j:j+1], collect(&pieces))
			}
			clear(part)
			if silence {
				one.Idle(collect(&whole))
				two.Idle(collect(&pieces))
			}
			rest = rest[n:]
		}
		one.Flush(collect(&whole))
		two.Flush(collect(&pieces))
		if !reflect.DeepEqual(whole, pieces) {
			t.Fatalf("%+v\nwhole  %+v\npieces %+v", r, whole, pieces)
		}
		checkFrames(t, r, stream, whole, false)
	})
}
