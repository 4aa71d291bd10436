package learn_test

import (
	"fmt"
	"strings"
	"testing"

	"weighpost/parsers/learn"
)

// TestTurns: gross and net in turns, with weights that have nothing to do with each other, are prints of their own. As one
// print every other weight would be swallowed; that explanation comes second and says so.
func TestTurns(t *testing.T) {
	gross, net := []string{"0.000", "12.482", "7.905", "55.071"}, []string{"12.482", "12.483", "103.220", "8.364"}
	var b strings.Builder
	var pauses []int
	for i := range gross {
		pauses = append(pauses, b.Len())
		fmt.Fprintf(&b, "Brut : %9s g\r\nNet  : %9s g\r\n", gross[i], net[i])
	}
	r := from(t, learn.Sample{Bytes: []byte(b.String())}, learn.Answers{})
	for i, f := range r.Frames {
		if want := []string{gross[i/2] + " g gross", net[i/2] + " g net"}[i%2]; f.Reads != want {
			t.Errorf("line %d reads %q, want %q", f.Number, f.Reads, want)
		}
	}
	if len(r.Frames) != 8 || len(r.Candidates) != 2 || !r.Candidates[1].Equal || r.Candidates[1].Of != 4 || !strings.Contains(r.Candidates[1].Differs, "one print") {
		t.Errorf("want 8 lines and the block of 4 prints as a second explanation: %d lines, %+v", len(r.Frames), r.Candidates)
	}
	// Where the line was silent before each pair, it is one print.
	if r = from(t, learn.Sample{Bytes: []byte(b.String()), Pauses: pauses[1:]}, learn.Answers{}); len(r.Frames) != 4 {
		t.Errorf("with pauses between the pairs, %d frames, want 4", len(r.Frames))
	}
}

func from(t *testing.T, s learn.Sample, a learn.Answers) *learn.Result {
	t.Helper()
	r, err := learn.From(s, a)
	if err != nil || len(r.Candidates) == 0 {
		t.Fatalf("no candidate: %v, %+v", err, r)
	}
	return r
}

// TestPiecesOfAllLines: a line that is read and was no part of the grid that the layout was made from is marked as well.
func TestPiecesOfAllLines(t *testing.T) {
	r := from(t, learn.Sample{Bytes: []byte("Lot: TR-104         12.482 g\r\nLot: trif 22 b      12.482 g\r\nLot: OAT             7.905 g\r\n" +
		"Lot: RYE-131       103.220 g\r\nLot: pea 2          99.998 g\r\n")}, learn.Answers{})
	for i, pieces := range r.Candidates[0].Pieces {
		got := ""
		for _, p := range pieces {
			got += p.What + "=" + string(r.Frames[i].Bytes[p.From:p.To]) + " "
		}
		if !strings.Contains(got, "weight=") || !strings.Contains(got, "sample=") {
			t.Errorf("line %d is marked %q", i+1, got)
		}
	}
}

// TestCommentsFit: what a learnt layout says of itself fits on a screen of 80 columns.
func TestCommentsFit(t *testing.T) {
	r := from(t, learn.Sample{Bytes: []byte("  12.482 kg\r\n   7.905 kg\r\n  12.001   \r\n   3.001   \r\n 103.220 kg\r\n  55.071 kg\r\n")}, learn.Answers{})
	if len(r.Candidates[0].Doubts) == 0 {
		t.Fatal("the sample is to leave a doubt")
	}
	for _, line := range strings.Split(string(r.Candidates[0].Layout), "\n") {
		if len(line) > 80 {
			t.Errorf("%d columns: %s", len(line), line)
		}
	}
}
