package backup

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"time"
)

const (
	block  = 512
	octal8 = 1 << 33 // 8 GiB: as far as ustar's eleven octal digits reach
)

// header writes the one block that a part begins with. It is all that a header of that name, size and time can be: whoever
// reads a backup writes it again and compares.
func header(name string, size int64, at time.Time) ([]byte, error) {
	h := &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o644, ModTime: at.UTC().Truncate(time.Second), Format: tar.FormatUSTAR}
	if name == secretsName {
		h.Mode = 0o600
	}
	if size >= octal8 {
		h.Format = tar.FormatGNU
	}
	var b bytes.Buffer
	if err := tar.NewWriter(&b).WriteHeader(h); err != nil {
		return nil, err
	}
	if b.Len() != block {
		return nil, fmt.Errorf("the header of %s takes %d bytes", name, b.Len())
	}
	return b.Bytes(), nil
}

// parseHeader reads a header and refuses one that header would not write.
func parseHeader(b []byte) (name string, size int64, at time.Time, err error) {
	h, err := tar.NewReader(bytes.NewReader(b)).Next()
	if err != nil {
		return "", 0, at, errors.New("its header cannot be read")
	}
	if h.Typeflag != tar.TypeReg {
		return "", 0, at, fmt.Errorf("%.60q is no plain file", h.Name)
	}
	again, err := header(h.Name, h.Size, h.ModTime)
	if err != nil || !bytes.Equal(again, b) {
		return "", 0, at, fmt.Errorf("the header of %.60q is not as weighpost writes it", h.Name)
	}
	return h.Name, h.Size, h.ModTime, nil
}

// padded is how many bytes a part of this size takes after its header.
func padded(size int64) int64 { return (size + block - 1) / block * block }

// partWriter writes the parts of a backup, one after the other, without knowing before how large each becomes.
type partWriter struct {
	to interface {
		io.Writer
		io.WriterAt
	}
	at    int64
	time  time.Time
	parts []Part
}

// part writes one part: what write gives it.
func (w *partWriter) part(name, from string, write func(to io.Writer) error) error {
	start := w.at
	if err := w.write(make([]byte, block)); err != nil {
		return err
	}
	sum, size := sha256.New(), int64(0)
	err := write(writerFunc(func(b []byte) (int, error) {
		if err := w.write(b); err != nil {
			return 0, err
		}
		sum.Write(b)
		size += int64(len(b))
		return len(b), nil
	}))
	if err != nil {
		return err
	}
	if err := w.write(make([]byte, padded(size)-size)); err != nil {
		return err
	}
	h, err := header(name, size, w.time)
	if err != nil {
		return err
	}
	if _, err := w.to.WriteAt(h, start); err != nil {
		return err
	}
	w.parts = append(w.parts, Part{Name: name, Size: size, SHA256: hex.EncodeToString(sum.Sum(nil)), From: from})
	return nil
}

// bytes writes a part that is in memory.
func (w *partWriter) bytes(name, from string, b []byte) error {
	return w.part(name, from, func(to io.Writer) error {
		_, err := to.Write(b)
		return err
	})
}

// end writes what ends a tar: two empty blocks.
func (w *partWriter) end() error { return w.write(make([]byte, 2*block)) }

func (w *partWriter) write(b []byte) error {
	n, err := w.to.Write(b)
	w.at += int64(n)
	return err
}

type writerFunc func(b []byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

// sums is the content of SHA256SUMS: a line for each part, as sha256sum writes and reads it.
func sums(parts []Part) []byte {
	var b bytes.Buffer
	for _, p := range parts {
		fmt.Fprintf(&b, "%s  %s\n", p.SHA256, p.Name)
	}
	return b.Bytes()
}
