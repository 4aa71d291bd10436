package leaks

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"compress/zlib"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/paper"
)

// forms gives the ways in which bytes may stand somewhere: as they are, in hexadecimal digits, in base64 at each of its three
// alignments and in both its alphabets, and as URLs, JSON and Go's %q write them.
func forms(secret []byte) map[string][]byte {
	f := map[string][]byte{
		"as it is": secret, "hex": []byte(hex.EncodeToString(secret)), "HEX": []byte(strings.ToUpper(hex.EncodeToString(secret))),
		"url query": []byte(url.QueryEscape(string(secret))), "url path": []byte(url.PathEscape(string(secret))),
		"%q": bytes.Trim(fmt.Appendf(nil, "%q", secret), `"`), "on paper": squeezed(secret),
	}
	if b, err := json.Marshal(string(secret)); err == nil {
		f["json"] = bytes.Trim(b, `"`)
	}
	for shift := range 3 {
		for name, enc := range map[string]*base64.Encoding{"base64": base64.RawStdEncoding, "base64url": base64.RawURLEncoding} {
			text := enc.EncodeToString(append(make([]byte, shift), secret...))
			text = text[[]int{0, 2, 3}[shift]:] // the characters that also hold bits of what is before
			if (shift+len(secret))%3 != 0 {
				text = text[:len(text)-1] // the last one holds bits of what follows
			}
			f[fmt.Sprint(name, " at ", shift)] = []byte(text)
		}
	}
	return f
}

// haystack is everything that was written and said, by where it was found.
type haystack struct {
	t     *testing.T
	piles map[string][]byte
}

func (h *haystack) add(where string, b []byte) {
	h.t.Helper()
	if _, there := h.piles[where]; there {
		h.t.Fatalf("%s is added twice", where)
	}
	h.piles[where] = b
}

// folder adds every file below a folder, and what is packed in them.
func (h *haystack) folder(what, dir string) {
	h.t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		h.unpacked(what+"/"+rel, b)
		return err
	})
	if err != nil {
		h.t.Fatal(err)
	}
}

// unpacked adds a file, and if it is an archive what is in it. The pages of a Parquet file are packed in a way of their own: of what
// stands in them no more is seen than of the entries that they are made of.
func (h *haystack) unpacked(where string, b []byte) {
	h.t.Helper()
	h.add(where, b)
	if z, err := gzip.NewReader(bytes.NewReader(b)); err == nil {
		plain, err := io.ReadAll(z)
		if err != nil {
			h.t.Fatalf("%s: %v", where, err)
		}
		h.unpacked(where+"!gunzip", plain)
		return
	}
	if z, err := zip.NewReader(bytes.NewReader(b), int64(len(b))); err == nil {
		for _, f := range z.File {
			r, err := f.Open()
			if err != nil {
				h.t.Fatal(err)
			}
			plain, err := io.ReadAll(r)
			if err != nil {
				h.t.Fatal(err)
			}
			h.unpacked(where+"!"+f.Name, plain)
		}
		return
	}
	if bytes.HasPrefix(b, []byte("%PDF-")) {
		for i, part := range bytes.Split(b, []byte("stream\n")) {
			if z, err := zlib.NewReader(bytes.NewReader(part)); err == nil {
				plain, _ := io.ReadAll(z) // as far as it goes: what follows a stream is no part of it
				h.add(fmt.Sprint(where, "!stream ", i), plain)
			}
		}
		h.add(where+"!text", squeezed(printed(h.t, b)))
	}
	if len(b) > 512 && string(b[257:262]) == "ustar" {
		for r := tar.NewReader(bytes.NewReader(b)); ; {
			f, err := r.Next()
			if err == io.EOF {
				return
			}
			if err != nil {
				h.t.Fatalf("%s: %v", where, err)
			}
			plain, err := io.ReadAll(r)
			if err != nil {
				h.t.Fatal(err)
			}
			h.unpacked(where+"!"+f.Name, plain)
		}
	}
}

// printed is the text on the pages of a PDF, as a program that is not ours reads it: in its streams it stands as numbers of drawn letters.
func printed(t *testing.T, pdf []byte) []byte {
	t.Helper()
	needs.Programs(t, "pdftotext")
	cmd := exec.CommandContext(t.Context(), "pdftotext", "-raw", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	text, err := cmd.Output()
	if err != nil {
		t.Fatalf("pdftotext: %v", err)
	}
	return text
}

// squeezed is text without its white space: on paper a line breaks anywhere.
func squeezed(text []byte) []byte { return bytes.Join(bytes.Fields(text), nil) }

// secret is something that may be found nowhere but in the places that it is kept in.
type secret struct {
	name  string
	bytes []byte
	kept  []string // names of the places that may hold it: those, and what is inside of them
}

// find says where secrets are found that may not be there.
func (h *haystack) find(secrets []secret) (found []string) {
	for _, s := range secrets {
		if len(s.bytes) < 12 {
			h.t.Fatalf("%s has %d bytes: chance would find it", s.name, len(s.bytes))
		}
		for form, needle := range forms(s.bytes) {
			for where, pile := range h.piles {
				if bytes.Contains(pile, needle) && !slices.Contains(s.kept, where) {
					found = append(found, fmt.Sprintf("%s, %s, is in %s: …%q…", s.name, form, where, around(pile, needle)))
				}
			}
		}
	}
	slices.Sort(found)
	return found
}

// around gives what stands before a place, so that whoever reads it knows what wrote it.
func around(pile, needle []byte) []byte {
	i := bytes.Index(pile, needle)
	return pile[max(0, i-80):i]
}

// TestTheSearchWouldFind: each form, wherever it is put, in a file, in a packed one, and in one within another.
func TestTheSearchWouldFind(t *testing.T) {
	secret := []secret{{name: "planted", bytes: []byte("Grün <wächst> & \"gedeiht\"?~")}}
	for form, text := range forms(secret[0].bytes) {
		for before := range 3 {
			h := &haystack{t: t, piles: map[string][]byte{}}
			dir := t.TempDir()
			var packed bytes.Buffer
			z := gzip.NewWriter(&packed)
			_, _ = z.Write(append([]byte("some text before "[:before]), text...))
			_ = z.Close()
			if err := os.WriteFile(filepath.Join(dir, "a"), packed.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			h.folder("x", dir)
			if got := h.find(secret); len(got) == 0 || !strings.Contains(strings.Join(got, " "), "x/a!gunzip") {
				t.Errorf("%s: %q", form, got)
			}
		}
	}
	for before := range 6 { // in base64 together with what is around it
		whole := base64.StdEncoding.EncodeToString([]byte("Basic: user:"[:before] + string(secret[0].bytes) + "and more"))
		h := &haystack{t: t, piles: map[string][]byte{"x": []byte(whole)}}
		if got := h.find(secret); len(got) == 0 {
			t.Errorf("in base64 after %d bytes it is not found", before)
		}
	}
	h := &haystack{t: t, piles: map[string][]byte{}}
	h.unpacked("report.pdf", onPaper(t, "before it "+string(secret[0].bytes)+" and after it"))
	if got := h.find(secret); len(got) == 0 || !strings.Contains(got[0], "report.pdf!text") {
		t.Errorf("on paper: %q", got)
	}
	h = &haystack{t: t, piles: map[string][]byte{"x": secret[0].bytes}}
	secret[0].kept = []string{"x"}
	if got := h.find(secret); len(got) != 0 {
		t.Errorf("where it is kept: %q", got)
	}
}

// onPaper is a PDF that says something.
func onPaper(t *testing.T, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	p, err := paper.New(&b, paper.Upright)
	if err != nil {
		t.Fatal(err)
	}
	p.Need(0)
	p.Paragraph(p.Plain, paper.TextSize, text, paper.Ink)
	if err := p.End("a test", "weighpost", time.Time{}, make([]byte, 16)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
