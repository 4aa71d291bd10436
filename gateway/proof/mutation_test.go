package proof

import (
	"bytes"
	"reflect"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// said is what a proof says with a key, or nil where it says nothing. The time-stamp is left out: nothing here says anything
// of it.
func said(file []byte, key note.Verifier) *Verified {
	p, err := Parse(file)
	if err != nil {
		return nil
	}
	v, err := p.Verify(key)
	if err != nil {
		return nil
	}
	v.TimeStamp = nil
	return &v
}

// TestNoByteOfAProofCanBeChanged changes each byte of a proof in every way of its bits, drops it, doubles it, and puts others
// in: either the proof is refused, or it says exactly what it said. Without WEIGHPOST_LONG=1 each byte has one of its bits
// flipped and one other put before it, as the seed has it.
func TestNoByteOfAProofCanBeChanged(t *testing.T) {
	t.Parallel()
	random := newSeed(t)
	a, b, c := newPair(t, testOrigin), newPair(t, testOrigin), newPair(t, testOrigin)
	p := proved(t, 11, 7, a, b, c)
	p.TimeStamp = []byte("a token that nobody looks into")
	file := marshal(t, p)
	const others = "\n =A0\r"
	for _, key := range []pair{b, c} {
		want := said(file, key.key)
		if want == nil {
			t.Fatal("the proof itself is refused")
		}
		refused, same := 0, 0
		try := func(at int, how string, changed []byte) {
			switch got := said(changed, key.key); {
			case got == nil:
				refused++
			case reflect.DeepEqual(got, want):
				same++
			default:
				t.Errorf("byte %d %s: the proof now says %+v", at, how, got)
			}
		}
		for i := range file {
			for _, bit := range random.Perm(8)[:rounds(1, 8)] {
				changed := bytes.Clone(file)
				changed[i] ^= 1 << bit
				try(i, "flipped", changed)
			}
			try(i, "dropped", append(bytes.Clone(file[:i]), file[i+1:]...))
			try(i, "doubled", append(bytes.Clone(file[:i+1]), file[i:]...))
			for _, x := range random.Perm(len(others))[:rounds(1, len(others))] {
				try(i, "with another before it", append(append(bytes.Clone(file[:i]), others[x]), file[i:]...))
			}
			try(i, "and all after it dropped", file[:i])
		}
		// With the key in the middle the first change of key is not looked at, and neither is the time-stamp.
		if refused == 0 || same*4 > refused {
			t.Errorf("%d refused, %d said the same", refused, same)
		}
		t.Logf("%d bytes: %d changes refused, %d said the same", len(file), refused, same)
	}
}

func TestAProofHasOneSpelling(t *testing.T) {
	t.Parallel()
	k := newPair(t, testOrigin)
	file := marshal(t, proved(t, 5, 2, k))
	for what, bad := range map[string][]byte{
		"nothing":            nil,
		"Windows line ends":  bytes.ReplaceAll(file, []byte("\n"), []byte("\r\n")),
		"a line at the end":  append(bytes.Clone(file), '\n'),
		"a line before":      append([]byte("\n"), file...),
		"a zero before":      bytes.Replace(file, []byte("index 1"), []byte("index 01"), 1),
		"a sign":             bytes.Replace(file, []byte("index 1"), []byte("index +1"), 1),
		"no index":           bytes.Replace(file, []byte("index 1\n"), nil, 1),
		"a huge index":       bytes.Replace(file, []byte("index 1"), []byte("index 18446744073709551615"), 1),
		"no extra":           append([]byte(fileHeader+"\n"), file[bytes.Index(file, []byte("index")):]...),
		"another version":    bytes.Replace(file, []byte("@v1"), []byte("@v2"), 1),
		"far too many lines": bytes.Replace(file, []byte("\n\n"), []byte("\n"+string(bytes.Repeat([]byte("A\n"), 100))+"\n"), 1),
	} {
		if said(bad, k.key) != nil {
			t.Errorf("with %s it is taken for a proof", what)
		}
	}
	if _, err := (Proof{Entry: []byte("a\nb")}).Marshal(); err == nil {
		t.Error("an entry of two lines was written")
	}
}

func FuzzParse(f *testing.F) {
	k := newPair(f, testOrigin)
	f.Add(marshal(f, proved(f, 5, 2, k)))
	f.Add([]byte(fileHeader + "\nextra \nindex 0\n\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		p, err := Parse(file)
		if err != nil {
			return
		}
		again, err := p.Marshal()
		if err != nil || !bytes.Equal(again, file) {
			t.Errorf("%q is written as %q (%v)", file, again, err)
		}
		if _, err := p.Verify(newPair(t, testOrigin).key); err == nil {
			t.Error("a key of nobody verifies it")
		}
	})
}
