package main

import (
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/setup"
)

// asked puts questions to a person who types the lines of input, and gives the answers and what was shown.
func asked(t *testing.T, input string, questions ...setup.Question) (got []string, shown string) {
	t.Helper()
	var out strings.Builder
	p := newPerson(streams{in: strings.NewReader(input), err: &out})
	for _, q := range questions {
		answer, err := p.Ask(t.Context(), q)
		if err != nil {
			answer = "error: " + err.Error()
		}
		got = append(got, answer)
	}
	return got, out.String()
}

func TestAQuestionIsAnsweredByNumberValueOrEnter(t *testing.T) {
	parity := setup.Question{Key: "parity", Text: "Which parity?", Default: "even",
		Choices: []setup.Choice{{Value: "none", Text: "no parity"}, {Value: "even", Text: "even parity"}}}
	number := setup.Question{Key: "n", Text: "How many?", Choices: []setup.Choice{{Value: "2"}, {Value: "1"}}}
	free := setup.Question{Key: "display", Text: "What did the display show?"}
	for _, c := range []struct {
		name, input, want string
		q                 setup.Question
	}{
		{"number", "1\n", "none", parity},
		{"value", "EVEN\n", "even", parity},
		{"Enter", "\n", "even", parity},
		{"a value before a number", "2\n", "2", number},
		{"again after what does not fit", "7\nspace\n1\n", "none", parity},
		{"Enter without a default", "\n1\n", "1", number},
		{"free text", " 12.3450 g \n", "12.3450 g", free},
		{"nothing, freely", "\n", "", free},
		{"a last line without its end", "1", "none", parity},
		{"the end of the answers", "", "error: " + setup.ErrNobody.Error(), parity},
		{"nothing that fits", strings.Repeat("no\n", 20), `error: 10 answers did not fit the question "parity": start again`, parity},
		{"a line without an end", strings.Repeat("x", 1<<16), "error: an answer is longer than 4096 bytes", free},
	} {
		if got, _ := asked(t, c.input, c.q); got[0] != c.want {
			t.Errorf("%s: %q, want %q", c.name, got[0], c.want)
		}
	}
}

func TestAnswersComeInOrder(t *testing.T) {
	q := setup.Question{Text: "?"}
	got, _ := asked(t, "one\ntwo\n", q, q, q)
	if got[0] != "one" || got[1] != "two" || !strings.HasPrefix(got[2], "error: there is nobody") {
		t.Errorf("%q", got)
	}
}

// TestWhatIsToldSteersNoTerminal: escapes, marks that turn the direction of writing, bytes that are no UTF-8.
func TestWhatIsToldSteersNoTerminal(t *testing.T) {
	_, shown := asked(t, "1\n", setup.Question{Text: "a\x1b[2Jb\u202ec\xffd \\r\rback",
		Choices: []setup.Choice{{Value: "v\x07", Text: "t\u0085"}}, Default: "v\x07"})
	want := `a\x1b[2Jb\u202ec\xffd \r\x0dback` + "\n" + `  1  t\u0085 (v\x07)` + "\n" + `[v\x07] > `
	if shown != want {
		t.Errorf("shown\n%q, want\n%q", shown, want)
	}
}

func TestNobodyIsThere(t *testing.T) {
	null, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer null.Close()
	var out strings.Builder
	if _, err := newPerson(streams{in: null, err: &out}).Ask(t.Context(), setup.Question{Text: "?"}); !errors.Is(err, setup.ErrNobody) {
		t.Errorf("the null device: %v", err)
	}
	if out.Len() > 0 {
		t.Errorf("asked the null device: %q", out.String())
	}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	p := newPerson(streams{in: r, err: &out})
	if _, err := p.Ask(ctx, setup.Question{Text: "?"}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a pipe that is silent: %v", err)
	}
	w.Close()
	if _, err := p.Ask(t.Context(), setup.Question{Text: "?"}); !errors.Is(err, setup.ErrNobody) {
		t.Errorf("a pipe that has ended: %v", err)
	}
}

// TestWideLinesAreBroken at blanks, with their indentation, and what is within a row stays as it was.
func TestWideLinesAreBroken(t *testing.T) {
	for _, line := range []string{"", "short", "  " + strings.Repeat("seed  lot ", 30), strings.Repeat("x", 200), strings.Repeat("x", 79) + " y"} {
		list := rows(line)
		for i, row := range list {
			if len(row) > screenWidth && strings.Contains(strings.TrimLeft(row, " "), " ") {
				t.Errorf("row %d of %q is %d wide", i, line, len(row))
			}
		}
		if strings.Join(strings.Fields(strings.Join(list, " ")), " ") != strings.Join(strings.Fields(line), " ") {
			t.Errorf("%q became %q", line, list)
		}
	}
	if got := rows("    a  b " + strings.Repeat("c", 72)); len(got) != 2 || got[0] != "    a  b" || got[1] != "    "+strings.Repeat("c", 72) {
		t.Errorf("%q", got)
	}
}

// TestAnAnswerAside is taken without being listed.
func TestAnAnswerAside(t *testing.T) {
	q := setup.Question{Text: "Write it?", Choices: []setup.Choice{{Value: "yes"}}, Aside: []setup.Choice{{Value: "back"}}}
	got, shown := asked(t, "Back\n", q)
	if got[0] != "back" || strings.Contains(shown, "back") {
		t.Errorf("%q, shown\n%s", got, shown)
	}
}
