package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// File is a backup that is open for reading. Its methods are for one goroutine.
type File struct {
	f        *os.File
	name     string // for people
	size     int64
	manifest Manifest
	places   map[string]place
	absent   []string // kept files that entries name and the backup lacks unsaid, once Verify has read the entries
}

// place is where the content of a part is.
type place struct {
	off, size int64
	sha256    string
}

// Open opens a backup and holds its frame against its manifest and its sums. What the parts hold is read by the methods, each
// of which holds it against its sum; all of it by Verify. What is wrong with the file is a *Fault.
func Open(path string) (*File, error) {
	info, err := os.Stat(path) // before it is opened: opening a pipe would wait
	if err == nil && !info.Mode().IsRegular() {
		return nil, &Fault{Foreign, path, "it is no plain file"}
	}
	if err != nil {
		return nil, fmt.Errorf("the backup cannot be read: %w", err)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the backup cannot be read: %w", err)
	}
	b := &File{f: f, name: path, places: map[string]place{}}
	if err := b.open(); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return b, nil
}

// Close closes the file.
func (b *File) Close() error { return b.f.Close() }

// Name is the file's name without its folder.
func (b *File) Name() string { return filepath.Base(b.name) }

// Size is how many bytes the file has.
func (b *File) Size() int64 { return b.size }

// Manifest says what the backup holds.
func (b *File) Manifest() Manifest { return b.manifest }

func (b *File) fault(kind, format string, args ...any) error {
	return &Fault{kind, b.name, fmt.Sprintf(format, args...)}
}

// walked is a part as the walk over the headers found it.
type walked struct {
	name string
	at   time.Time
	place
}

func (b *File) open() error {
	info, err := b.f.Stat()
	if err != nil {
		return fmt.Errorf("the backup cannot be read: %w", err)
	}
	b.size = info.Size()
	parts, err := b.walk()
	if err != nil {
		return err
	}
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i], b.places[p.name] = p.name, p.place
	}
	if err := order(names); err != nil {
		return b.fault(Damaged, "%v", err)
	}
	text, err := b.read(manifestName, maxManifest)
	if err != nil {
		return err
	}
	b.manifest, err = decodeManifest(text)
	var version errVersion
	switch {
	case errors.As(err, &version):
		return b.fault(Newer, "%v", version)
	case err != nil:
		return b.fault(Damaged, "its manifest cannot be read: %v", err)
	}
	return b.agree(parts, text)
}

// walk goes from header to header. It reads nothing else.
func (b *File) walk() ([]walked, error) {
	var parts []walked
	buf := make([]byte, block)
	for at := int64(0); ; {
		n, err := b.f.ReadAt(buf, at)
		if err != nil && err != io.EOF {
			return nil, fmt.Errorf("the backup %s cannot be read at byte %d: %w", b.name, at, err)
		}
		if at == 0 && !bytes.HasPrefix(buf[:n], []byte(entriesName)[:min(n, len(entriesName))]) {
			return nil, b.fault(Foreign, "it does not begin as a backup does")
		}
		if n < block {
			return nil, b.fault(Cut, "it ends with byte %d, where its next part should begin", b.size)
		}
		if bytes.Equal(buf, make([]byte, block)) {
			return parts, b.ends(at)
		}
		name, size, time, err := parseHeader(buf)
		if err != nil {
			return nil, b.fault(Damaged, "at byte %d: %v", at, err)
		}
		if size > b.size-at-block || at+block+padded(size) > b.size {
			return nil, b.fault(Cut, "it ends with byte %d, within its part %s", b.size, name)
		}
		if len(parts) == maxParts {
			return nil, b.fault(Damaged, "it has more than %d parts", maxParts)
		}
		parts = append(parts, walked{name, time, place{off: at + block, size: size}})
		at += block + padded(size)
	}
}

// ends holds the end of the file against what a tar ends with.
func (b *File) ends(at int64) error {
	switch {
	case b.size < at+2*block:
		return b.fault(Cut, "it ends with byte %d, and its last block is missing", b.size)
	case b.size > at+2*block:
		return b.fault(Damaged, "its parts end with byte %d, and something follows", at)
	}
	rest := make([]byte, block)
	if _, err := b.f.ReadAt(rest, at+block); err != nil {
		return fmt.Errorf("the backup %s cannot be read at byte %d: %w", b.name, at+block, err)
	}
	if !bytes.Equal(rest, make([]byte, block)) {
		return b.fault(Damaged, "its last block is not empty")
	}
	return nil
}

// agree holds headers, manifest and sums against each other.
func (b *File) agree(parts []walked, manifest []byte) error {
	want := b.manifest.Parts
	if len(want) != len(parts)-2 {
		return b.fault(Damaged, "its manifest tells of %d parts before it, and there are %d", len(want), len(parts)-2)
	}
	for i, p := range parts {
		if i < len(want) && (p.name != want[i].Name || p.size != want[i].Size) {
			return b.fault(Damaged, "its part %s is not the one of its manifest", p.name)
		}
		if !p.at.Equal(b.manifest.madeAt().Truncate(time.Second)) {
			return b.fault(Damaged, "its part %s says that it was made at another time than the manifest", p.name)
		}
		if keptForm.MatchString(p.name) && (p.name != keptPrefix+want[i].SHA256 || p.size > record.MostKept) {
			return b.fault(Damaged, "its part %s is not what its name says", p.name)
		}
		if i < len(want) {
			p.place.sha256 = want[i].SHA256
			b.places[p.name] = p.place
		}
	}
	sum := sha256.Sum256(manifest)
	all := append(append([]Part{}, want...), Part{Name: manifestName, SHA256: hex.EncodeToString(sum[:])})
	have, err := b.read(sumsName, maxSums)
	if err != nil {
		return err
	}
	if !bytes.Equal(have, sums(all)) {
		return b.fault(Damaged, "its manifest and its SHA256SUMS do not agree")
	}
	return nil
}

// read gives a small part, held against its sum where that is known.
func (b *File) read(name string, most int64) ([]byte, error) {
	p := b.places[name]
	if p.size > most {
		return nil, b.fault(Damaged, "its part %s has %d bytes, and at most %d are believed", name, p.size, most)
	}
	text := make([]byte, padded(p.size))
	if _, err := b.f.ReadAt(text, p.off); err != nil {
		return nil, b.unreadable(name, err)
	}
	text, rest := text[:p.size], text[p.size:]
	if len(bytes.Trim(rest, "\x00")) > 0 {
		return nil, b.fault(Damaged, "what fills up its part %s is not empty", name)
	}
	if sum := sha256.Sum256(text); p.sha256 != "" && p.sha256 != hex.EncodeToString(sum[:]) {
		return nil, b.fault(Damaged, "its part %s is not as it was written (SHA-256 differs)", name)
	}
	return text, nil
}

// unreadable tells an error of the disk, or that the file became shorter.
func (b *File) unreadable(name string, err error) error {
	if err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF) {
		return b.fault(Cut, "it ends within its part %s", name)
	}
	return fmt.Errorf("the backup %s cannot be read (part %s): %w", b.name, name, err)
}

// Snapshot gives what the backup holds of the journal beside its entries.
func (b *File) Snapshot() (journal.Snapshot, error) {
	var s journal.Snapshot
	text, err := b.read(snapshotName, maxSnapshot)
	if err != nil {
		return s, err
	}
	if err := unmarshal(text, &s); err != nil {
		return s, b.fault(Damaged, "its snapshot.json cannot be read: %v", err)
	}
	m := &b.manifest
	if s.Site != m.Site || s.Incarnation != m.Incarnation || s.Origin != m.Origin || s.Size != m.Entries || string(s.Checkpoint) != m.Checkpoint {
		return s, b.fault(Damaged, "its snapshot.json and its manifest do not agree")
	}
	return s, nil
}

// PublicKey gives the verifier key (C2SP signed-note) that the backup brings along. Whoever wrote the backup chose it.
func (b *File) PublicKey() (string, error) {
	text, err := b.read(pubName, maxText)
	return string(bytes.TrimSpace(text)), err
}

// ConfigFile is a file of the configuration: From is its name as the configuration has it, the configuration's own first.
type ConfigFile struct {
	Part, From string
	Text       []byte
}

// Config gives the configuration and its layouts.
func (b *File) Config() ([]ConfigFile, error) {
	var files []ConfigFile
	for _, p := range b.manifest.Parts {
		if !configName.MatchString(p.Name) {
			continue
		}
		text, err := b.read(p.Name, maxText)
		if err != nil {
			return nil, err
		}
		files = append(files, ConfigFile{p.Name, p.From, text})
	}
	return files, nil
}

// HasSecrets says whether the backup holds secrets, for whoever has an identity for them.
func (b *File) HasSecrets() bool {
	_, has := b.places[secretsName]
	return has
}

// section gives the bytes of a part.
func (b *File) section(name string) (*io.SectionReader, place) {
	p := b.places[name]
	return io.NewSectionReader(b.f, p.off, p.size), p
}

// ctxReader ends reading when its context does.
type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (c ctxReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}
