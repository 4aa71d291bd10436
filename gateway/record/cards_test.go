package record

import "testing"

func TestCardsAreReadWhateverTheScannerDoesToThem(t *testing.T) {
	for _, step := range []string{StepNext, StepRepeat, StepAbandon, CardYes, CardSignOut} {
		code := CardCode(step)
		for _, seen := range []string{code, "]C0" + code, swapCase(code)} {
			if got, _, ours := CardOf(seen); got != step || !ours {
				t.Errorf("%s is %q", seen, got)
			}
		}
		for _, no := range []string{code[:len(code)-1], code + "X"} {
			if got, _, ours := CardOf(no); got != "" || !ours {
				t.Errorf("%s is %q, ours %v", no, got, ours)
			}
		}
	}
	if step, id, ours := CardOf(swapCase(LabelCode("b-12"))); step != CardLabel || id != "b-12" || !ours {
		t.Errorf("a label is %q of %q", step, id)
	}
	for _, other := range []string{"", "LOT-1003", "BENCH", "]C0", "]C0LOT", " BENCHPOSTNEXT"} {
		if _, _, ours := CardOf(other); ours {
			t.Errorf("%q is a card", other)
		}
	}
	if step, _, ours := CardOf(LabelCode("../b")); step != "" || !ours {
		t.Errorf("the label of no id is %q", step)
	}
}

func swapCase(s string) string {
	b := []byte(s)
	for i, c := range b {
		if c|0x20 >= 'a' && c|0x20 <= 'z' {
			b[i] = c ^ 0x20
		}
	}
	return string(b)
}
