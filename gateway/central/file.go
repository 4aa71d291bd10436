package central

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
)

const (
	title = "weighpost central settings 1"
	// MaxSize is how long a file may be, in bytes.
	MaxSize   = 1 << 20
	maxHead   = 64 << 10 // bytes of head and signatures
	maxFiles  = 500
	maxSerial = 1 << 53 // as far as every reader of JSON counts

	// Main is the name of the settings within a file; what else is in it are layouts that they name.
	Main = "weighpost.yaml"
	// EverySite stands for all sites.
	EverySite = "*"
)

// Head is what is signed.
type Head struct {
	Sites  []string // names, sorted; or EverySite alone
	Serial uint64   // 1 and more: a gateway takes none that is below the last
	Made   time.Time
	Until  time.Time // when it may be taken last
	Sum    [sha256.Size]byte
	Size   int // bytes of the contents
}

// For says whether a site is meant.
func (h Head) For(site string) bool {
	return slices.Contains(h.Sites, site) || slices.Equal(h.Sites, []string{EverySite})
}

// Digest is the SHA-256 of the contents as records have it.
func (h Head) Digest() string { return "sha256:" + hex.EncodeToString(h.Sum[:]) }

var siteName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// Check says what is wrong with a head, or nil.
func (h Head) Check() error {
	if len(h.Sites) == 0 {
		return errors.New("it is for no site")
	}
	for _, site := range h.Sites {
		if !siteName.MatchString(site) && (site != EverySite || len(h.Sites) > 1) {
			return fmt.Errorf("%.70q is no name of a site", site)
		}
	}
	switch {
	case !slices.IsSorted(h.Sites) || len(slices.Compact(slices.Clone(h.Sites))) < len(h.Sites):
		return errors.New("its sites are not in order, or one is there twice")
	case h.Serial == 0 || h.Serial > maxSerial:
		return fmt.Errorf("its serial number is not 1 to %d", uint64(maxSerial))
	case !h.Until.After(h.Made):
		return errors.New("it ends before it was made")
	}
	return nil
}

// text is the head as it is signed.
func (h Head) text() string {
	return fmt.Sprintf("%s\nfor %s\nserial %d\nmade %s\nuntil %s\nbytes %d\nsha256 %x\n", title, strings.Join(h.Sites, " "), h.Serial,
		h.Made.UTC().Format(time.RFC3339), h.Until.UTC().Format(time.RFC3339), h.Size, h.Sum)
}

// parseHead is the inverse of text: what text would write otherwise is refused.
func parseHead(s string) (h Head, err error) {
	lines := strings.Split(s, "\n")
	if len(lines) != 8 || lines[0] != title {
		return h, errors.New("it does not begin as a file of central settings does")
	}
	value := func(i int, name string) string { v, _ := strings.CutPrefix(lines[i], name+" "); return v }
	h.Sites = strings.Split(value(1, "for"), " ")
	h.Serial, _ = strconv.ParseUint(value(2, "serial"), 10, 64)
	h.Made, _ = time.Parse(time.RFC3339, value(3, "made"))
	h.Until, _ = time.Parse(time.RFC3339, value(4, "until"))
	h.Size, _ = strconv.Atoi(value(5, "bytes"))
	sum, _ := hex.DecodeString(value(6, "sha256"))
	copy(h.Sum[:], sum)
	if h.text() != s { // also whatever could not be read above
		return h, errors.New("its head is not written as it has to be")
	}
	return h, h.Check()
}

// File is one whose signature is right.
type File struct {
	Head
	Signed   []string          // ids of the trusted keys that signed it, each once
	Settings []byte            // as a configuration file has them
	Layouts  map[string][]byte // by name
}

// Unsigned says why nothing of a file was believed.
type Unsigned struct{ Why string }

func (u *Unsigned) Error() string { return u.Why }

// Open reads a file that at least one of the keys has signed. Until a signature was found right, nothing of the file is believed: the
// error is then an *Unsigned. Whether the file is meant for a site, and still, is for the caller to ask.
func Open(b []byte, keys []string) (*File, error) {
	known, err := verifiers(keys)
	if err != nil {
		return nil, err
	}
	signed, contents, err := split(b)
	if err != nil {
		return nil, err
	}
	n, err := note.Open(signed, note.VerifierList(known...))
	var invalid *note.InvalidSignatureError
	var unverified *note.UnverifiedNoteError
	switch {
	case errors.As(err, &invalid):
		return nil, &Unsigned{fmt.Sprintf("the signature of %s does not fit: the file was changed after it was signed", KeyID(invalidKey(invalid)))}
	case errors.As(err, &unverified):
		return nil, &Unsigned{"it is signed by none of the keys that are trusted here, but by " + signers(unverified.Note.UnverifiedSigs)}
	case err != nil:
		return nil, &Unsigned{"it carries no signature that can be read"}
	case !canonical(n):
		return nil, &Unsigned{"a signature is not written as it has to be: the file was changed after it was signed"}
	}
	h, err := parseHead(n.Text)
	if err != nil {
		return nil, err
	}
	if len(contents) != h.Size || sha256.Sum256(contents) != h.Sum {
		return nil, &Unsigned{"its contents are not those that were signed: they were changed or cut off"}
	}
	f := &File{Head: h}
	for _, s := range n.Sigs {
		f.Signed = append(f.Signed, fmt.Sprintf("%s+%08x", s.Name, s.Hash))
	}
	slices.Sort(f.Signed)
	f.Signed = slices.Compact(f.Signed)
	if f.Settings, f.Layouts, err = unpack(contents); err != nil {
		return nil, err
	}
	return f, nil
}

// canonical says whether signatures are written in the one way that there is: base64 has bits that nobody reads (RFC 4648, 3.5).
func canonical(n *note.Note) bool {
	for _, s := range slices.Concat(n.Sigs, n.UnverifiedSigs) {
		if _, err := base64.StdEncoding.Strict().DecodeString(s.Base64); err != nil {
			return false
		}
	}
	return true
}

type namedKey struct {
	name string
	hash uint32
}

func (k namedKey) Name() string    { return k.name }
func (k namedKey) KeyHash() uint32 { return k.hash }

func invalidKey(err *note.InvalidSignatureError) namedKey { return namedKey{err.Name, err.Hash} }

// signers names those of signatures that nobody here can judge: that they are theirs is not known.
func signers(sigs []note.Signature) string {
	var names []string
	for _, s := range sigs[:min(len(sigs), 3)] {
		names = append(names, fmt.Sprintf("%.40q", s.Name))
	}
	if len(names) == 0 {
		return "nobody"
	}
	return "who calls itself " + strings.Join(names, ", ")
}

// split divides a file into its signed head and its contents.
func split(b []byte) (signed, contents []byte, err error) {
	if len(b) > MaxSize {
		return nil, nil, fmt.Errorf("it is larger than %d bytes, and was not looked into", MaxSize)
	}
	text := bytes.Index(b[:min(len(b), maxHead)], []byte("\n\n"))
	if text < 0 || !bytes.HasPrefix(b, []byte(title+"\n")) {
		return nil, nil, &Unsigned{"it is no file of signed settings"}
	}
	end := bytes.Index(b[:min(len(b), maxHead)][text+2:], []byte("\n\n"))
	if end < 0 {
		return nil, nil, &Unsigned{"it carries no signature"}
	}
	end += text + 3
	return b[:end], b[end+1:], nil
}

// Sign makes a file. Sum and Size of the head are filled in.
func Sign(h Head, settings []byte, layouts map[string][]byte, signer note.Signer) ([]byte, error) {
	contents, err := pack(settings, layouts)
	if err != nil {
		return nil, err
	}
	h.Made, h.Until = h.Made.UTC().Truncate(time.Second), h.Until.UTC().Truncate(time.Second)
	h.Sum, h.Size = sha256.Sum256(contents), len(contents)
	if err := h.Check(); err != nil {
		return nil, err
	}
	signed, err := note.Sign(&note.Note{Text: h.text()}, signer)
	if err != nil {
		return nil, err
	}
	return whole(signed, contents)
}

// Countersign adds a signature to a file. What is under the signatures that are there already is not judged: whoever signs reads it.
func Countersign(b []byte, signer note.Signer) ([]byte, error) {
	signed, contents, err := split(b)
	if err != nil {
		return nil, err
	}
	n, err := note.Open(signed, note.VerifierList())
	var unverified *note.UnverifiedNoteError
	if errors.As(err, &unverified) {
		n = unverified.Note
	} else if err != nil {
		return nil, &Unsigned{"it carries no signature that can be read"}
	}
	h, err := parseHead(n.Text)
	if err != nil {
		return nil, err
	}
	if len(contents) != h.Size || sha256.Sum256(contents) != h.Sum {
		return nil, &Unsigned{"its contents are not those that were signed: they were changed or cut off"}
	}
	if signed, err = note.Sign(n, signer); err != nil {
		return nil, err
	}
	return whole(signed, contents)
}

func whole(signed, contents []byte) ([]byte, error) {
	b := slices.Concat(signed, []byte("\n"), contents)
	if len(b) > MaxSize || len(signed) > maxHead {
		return nil, fmt.Errorf("the file would be larger than %d bytes, which no gateway takes", MaxSize)
	}
	return b, nil
}

// pack writes the contents: each file after a line with its name and length.
func pack(settings []byte, layouts map[string][]byte) ([]byte, error) {
	if len(layouts) > maxFiles {
		return nil, fmt.Errorf("there are %d layouts, and %d have room in a file", len(layouts), maxFiles)
	}
	var b bytes.Buffer
	put := func(name string, text []byte) { fmt.Fprintf(&b, "file %s %d\n%s\n", name, len(text), text) }
	put(Main, settings)
	for _, name := range slices.Sorted(maps.Keys(layouts)) {
		if !goodName(name) {
			return nil, fmt.Errorf("the layout %.80q cannot go along: its name is a path below the folder of the settings, of letters, digits, ., _, - and /", name)
		}
		put(name, layouts[name])
	}
	return b.Bytes(), nil
}

var plainName = regexp.MustCompile(`^[A-Za-z0-9_-][A-Za-z0-9._/-]{0,199}$`)

func goodName(name string) bool {
	return plainName.MatchString(name) && path.Clean(name) == name && name != Main
}

// unpack is the inverse of pack.
func unpack(b []byte) (settings []byte, layouts map[string][]byte, err error) {
	wrong := errors.New("its contents are not written as they have to be")
	layouts = map[string][]byte{}
	for first := true; len(b) > 0; first = false {
		line, rest, _ := bytes.Cut(b, []byte("\n"))
		words := strings.Split(string(line), " ")
		if len(words) != 3 || words[0] != "file" || len(layouts) > maxFiles {
			return nil, nil, wrong
		}
		size, err := strconv.Atoi(words[2])
		if err != nil || strconv.Itoa(size) != words[2] || size < 0 || size >= len(rest) || rest[size] != '\n' {
			return nil, nil, wrong
		}
		text := rest[:size]
		b = rest[size+1:]
		switch {
		case first && words[1] == Main:
			settings = text
		case first || !goodName(words[1]) || layouts[words[1]] != nil:
			return nil, nil, wrong
		default:
			layouts[words[1]] = slices.Clip(text)
		}
	}
	if settings == nil {
		return nil, nil, wrong
	}
	return settings, layouts, nil
}
