package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// archive writes base.tar.gz, or base.zip for Windows, in which all lies below one folder.
func (g goods) archive(base string) error {
	files, err := g.unpacked()
	if err != nil {
		return err
	}
	var b bytes.Buffer
	name := base + ".tar.gz"
	if g.target.os == "windows" {
		name = base + ".zip"
		err = g.zip(&b, path.Base(filepath.ToSlash(base)), files)
	} else {
		err = g.tarGz(&b, path.Base(base), files)
	}
	if err != nil {
		return err
	}
	return os.WriteFile(name, b.Bytes(), 0o644)
}

func (g goods) tarGz(w io.Writer, folder string, files []file) error {
	z, err := gzip.NewWriterLevel(w, gzip.BestCompression) // its header has neither name nor time
	if err != nil {
		return err
	}
	t := tar.NewWriter(z)
	for _, f := range files {
		// The owner is root, whoever makes it.
		h := &tar.Header{Name: path.Join(folder, f.name), Mode: int64(f.mode), Size: int64(len(f.data)), ModTime: g.tree.time, Format: tar.FormatUSTAR,
			Uname: "root", Gname: "root"}
		if err := t.WriteHeader(h); err != nil {
			return err
		}
		if _, err := t.Write(f.data); err != nil {
			return err
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	return z.Close()
}

func (g goods) zip(w io.Writer, folder string, files []file) error {
	z := zip.NewWriter(w)
	for _, f := range files {
		h := &zip.FileHeader{Name: path.Join(folder, f.name), Method: zip.Deflate, Modified: g.tree.time}
		h.SetMode(f.mode)
		to, err := z.CreateHeader(h)
		if err == nil {
			_, err = to.Write(f.data)
		}
		if err != nil {
			return err
		}
	}
	return z.Close()
}

// gzipped is a file as packages have it, without name and time.
func (tr tree) gzipped(data []byte) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression)
	_, _ = z.Write(data)
	_ = z.Close() // a buffer takes all
	return b.Bytes()
}

// writeSums writes SHA256SUMS, as sha256sum --check reads it.
func writeSums(out string) error {
	files, err := os.ReadDir(out)
	if err != nil {
		return err
	}
	var sums strings.Builder
	for _, f := range files {
		if f.Name() == "SHA256SUMS" || f.IsDir() {
			continue
		}
		data, err := os.ReadFile(filepath.Join(out, f.Name()))
		if err != nil {
			return err
		}
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256(data), f.Name())
	}
	return os.WriteFile(filepath.Join(out, "SHA256SUMS"), []byte(sums.String()), 0o644)
}
