package bundle

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
)

// archive is a bundle that is being looked at. Nothing in it is trusted.
type archive struct {
	parts map[string]*zip.File
	names []string // in their order
}

const (
	mostParts = mostKept + mostVouched + 200
	// mostSmall is how large a part may be that is read at once, in bytes.
	mostSmall = 32 << 20
)

// unpack lists the parts. faults are what is wrong with the list.
func unpack(r io.ReaderAt, size int64) (a *archive, faults []string, err error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, nil, fmt.Errorf("this is no bundle, or it was cut off: %w", err)
	}
	a = &archive{parts: map[string]*zip.File{}}
	if len(z.File) > mostParts {
		return nil, nil, fmt.Errorf("this is no bundle: it has %d parts", len(z.File))
	}
	for _, f := range z.File {
		switch {
		case !partForm.MatchString(f.Name):
			faults = append(faults, fmt.Sprintf("It holds a part %q, which no bundle has.", f.Name))
		case a.parts[f.Name] != nil:
			faults = append(faults, fmt.Sprintf("It holds the part %s more than once.", f.Name))
		default:
			a.parts[f.Name] = f
			a.names = append(a.names, f.Name)
		}
	}
	for _, name := range always {
		if a.parts[name] == nil {
			faults = append(faults, fmt.Sprintf("It has no part %s: it is not whole.", name))
		}
	}
	return a, faults, nil
}

// small reads a part that has to be small.
func (a *archive) small(name string) ([]byte, error) {
	f := a.parts[name]
	if f == nil {
		return nil, fmt.Errorf("%s is not there", name)
	}
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	defer r.Close()
	b, err := io.ReadAll(io.LimitReader(r, mostSmall+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s cannot be read: %w", name, err)
	case len(b) > mostSmall:
		return nil, fmt.Errorf("%s has more than %d bytes", name, mostSmall)
	}
	return b, nil
}

// sum reads all of a part.
func (a *archive) sum(ctx context.Context, name string) (string, error) {
	r, err := a.parts[name].Open()
	if err != nil {
		return "", err
	}
	defer r.Close()
	hash := sha256.New()
	_, err = io.Copy(hash, stopping{ctx, r})
	return hex.EncodeToString(hash.Sum(nil)), err
}

// stopping is a reader that ends with its context.
type stopping struct {
	ctx context.Context // of the one pass
	r   io.Reader
}

func (s stopping) Read(b []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(b)
}

// sums holds every part against SHA256SUMS, and gives what is wrong.
func (a *archive) sums(ctx context.Context) (faults []string, err error) {
	text, err := a.small(sumsPart)
	if err != nil {
		return []string{sentence(err)}, nil
	}
	var told strings.Builder
	for _, name := range a.names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if name == sumsPart {
			continue
		}
		sum, err := a.sum(ctx, name)
		if err != nil {
			faults = append(faults, fmt.Sprintf("The part %s is damaged: %v.", name, err))
			continue
		}
		line := fmt.Sprintf("%s  %s\n", sum, name)
		if !strings.Contains("\n"+string(text), "\n"+line) {
			faults = append(faults, fmt.Sprintf("The part %s is not the one that SHA256SUMS is of: its SHA-256 is %s.", name, sum))
		}
		told.WriteString(line)
	}
	if faults == nil && told.String() != string(text) {
		faults = append(faults, "SHA256SUMS does not list exactly the parts that are there, in their order.")
	}
	return faults, ctx.Err()
}

func sentence(err error) string {
	text := err.Error()
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
