package strict

import "testing"

// testChoice is a word, or a mapping with one key.
type testChoice struct {
	word string
	Size int `yaml:"size"`
}

func (c *testChoice) UnmarshalNode(n Node) Faults {
	if text, ok := n.Text(); ok {
		if text != "big" {
			return n.Fault("is no size", "big, or a mapping with size")
		}
		c.word = text
		return nil
	}
	return n.Load(c)
}

func TestAValueMayHaveSeveralShapes(t *testing.T) {
	type file struct {
		A testChoice `yaml:"a"`
		B testChoice `yaml:"b"`
		C testChoice `yaml:"c"`
		D testChoice `yaml:"d"`
	}
	var into file
	doc, faults := Load("f", []byte("a: big\nb:\n  size: 3\nc: huge\nd:\n  sze: 3\n"), &into)
	want := "f:4:4: c: is no size; allowed: big, or a mapping with size\n" +
		`f:6:3: d.sze: unknown key "sze": did you mean "size"?; allowed: size`
	if got := faults.Error(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	if into.A.word != "big" || into.B.Size != 3 {
		t.Errorf("read %+v", into)
	}
	r := doc.Report()
	r.At("c").Fault("must not be said twice", "")
	if f := r.Faults(); f != nil {
		t.Error(f)
	}
}
