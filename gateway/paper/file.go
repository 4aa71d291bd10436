package paper

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf16"
)

// file writes the objects of a PDF (ISO 32000-1, clause 7) one after the other, and remembers of each only where it
// begins: eight bytes an object. A library that keeps the pages until the end could not write a million entries.
type file struct {
	w   io.Writer
	at  int64
	pos []int64 // by number of the object, from 1; 0: not yet written
	err error
	zip bytes.Buffer
	by  *zlib.Writer // into zip; kept, since it is large
}

func newFile(w io.Writer) *file {
	p := &file{w: w, pos: make([]int64, 1)}
	p.by = zlib.NewWriter(&p.zip)
	p.printf("%%PDF-1.7\n%%\xe2\xe3\xcf\xd3\n") // 7.5.2: four bytes above 127 mark the file as binary
	return p
}

func (p *file) printf(format string, args ...any) {
	if p.err != nil {
		return
	}
	n, err := fmt.Fprintf(p.w, format, args...)
	p.at, p.err = p.at+int64(n), err
}

// reserve gives a number to an object that is written later.
func (p *file) reserve() int {
	p.pos = append(p.pos, 0)
	return len(p.pos) - 1
}

// object writes an object whose text is a dictionary or an array.
func (p *file) object(n int, text string) {
	p.pos[n] = p.at
	p.printf("%d 0 obj\n%s\nendobj\n", n, text)
}

// stream writes a stream, compressed (7.4.4). dict holds what its dictionary has beside length and filter.
func (p *file) stream(n int, dict string, b []byte) {
	p.zip.Reset()
	p.by.Reset(&p.zip)
	p.by.Write(b) // a buffer takes everything
	p.by.Close()
	p.pos[n] = p.at
	p.printf("%d 0 obj\n<<%s/Filter/FlateDecode/Length %d>>\nstream\n", n, dict, p.zip.Len())
	p.printf("%s", p.zip.Bytes())
	p.printf("\nendstream\nendobj\n")
}

// end writes the cross-reference table and the trailer (7.5.4, 7.5.5). id is 16 bytes.
func (p *file) end(catalog, info int, id []byte) error {
	table := p.at
	p.printf("xref\n0 %d\n0000000000 65535 f\r\n", len(p.pos))
	for n, at := range p.pos[1:] {
		switch {
		case p.err != nil:
			return p.err
		case at == 0:
			return fmt.Errorf("object %d of the PDF was never written", n+1)
		case at > 9_999_999_999:
			return fmt.Errorf("the PDF is larger than a PDF can be, 10 GB: export a shorter span of time, or another format")
		}
		p.printf("%010d 00000 n\r\n", at)
	}
	p.printf("trailer\n<</Size %d/Root %d 0 R/Info %d 0 R/ID[<%x><%x>]>>\nstartxref\n%d\n%%%%EOF\n", len(p.pos), catalog, info, id, id, table)
	return p.err
}

// textString writes a text string (7.9.2.2) as UTF-16 with its mark.
func textString(s string) string {
	var b strings.Builder
	b.WriteString("<FEFF")
	for _, u := range utf16.Encode([]rune(s)) {
		fmt.Fprintf(&b, "%04X", u)
	}
	return b.String() + ">"
}

// dateString writes a date (7.9.4).
func dateString(t time.Time) string { return t.UTC().Format("(D:20060102150405Z)") }
