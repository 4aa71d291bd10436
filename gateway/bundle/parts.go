package bundle

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"regexp"
	"time"
)

// The parts of a bundle, but for those with names of their own.
const (
	readmePart      = "README.txt"
	aboutPart       = "bundle.json"
	entriesPart     = "entries.ndjson"
	treePart        = "tree.txt"
	checkpointPart  = "checkpoint.txt"
	checkpointsPart = "checkpoints.ndjson"
	keyPart         = "key.txt"
	reportPart      = "report.html"
	sumsPart        = "SHA256SUMS"
	keysFolder      = "keys/"
	schemasFolder   = "schemas/"
	keptFolder      = "kept/"
)

// partForm is what the names of all parts look like: no part leads out of the folder that a bundle is unpacked into.
var partForm = regexp.MustCompile(`^(README\.txt|bundle\.json|entries\.ndjson|tree\.txt|checkpoints?\.(txt|ndjson)|key\.txt|report\.html|SHA256SUMS|` +
	`keys/[0-9]{4}\.note|schemas/[a-z0-9-]{1,60}\.schema\.json|kept/[0-9a-f]{64})$`)

// always are the parts that every bundle has.
var always = []string{readmePart, aboutPart, entriesPart, treePart, checkpointPart, keyPart, reportPart, sumsPart}

// packer writes the parts of a bundle one after the other, and keeps their sums.
type packer struct {
	zip  *zip.Writer
	sums bytes.Buffer
}

// dated is the time of every part: the least that the form of the archive can hold, since the same entries give the same bytes.
var dated = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// part writes one.
func (p *packer) part(name string, write func(io.Writer) error) error {
	to, err := p.zip.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: dated})
	if err != nil {
		return err
	}
	sum := sha256.New()
	out := bufio.NewWriterSize(io.MultiWriter(to, sum), 1<<16)
	if err := write(out); err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(&p.sums, "%s  %s\n", hex.EncodeToString(sum.Sum(nil)), name)
	return nil
}

func (p *packer) bytes(name string, content []byte) error {
	return p.part(name, func(w io.Writer) error {
		_, err := w.Write(content)
		return err
	})
}

// close writes the sums, which come last: an archive without them is not whole.
func (p *packer) close() error {
	sums := bytes.Clone(p.sums.Bytes())
	if err := p.bytes(sumsPart, sums); err != nil {
		return err
	}
	return p.zip.Close()
}
