package bundle

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"

	"weighpost/gateway/record"
)

// keptFiles are the files beside the journal that entries name.
type keptFiles struct {
	dir   string
	names map[string]string // by SHA-256 in hex, with the name that people know
	held  []string          // of those, the ones that are there and as they were
}

// mostKept is how many files one bundle may hold.
const mostKept = 1 << 14

var keptForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// take notes the files that an entry names.
func (k *keptFiles) take(e record.Entry) error {
	for _, f := range record.KeptFiles(e) {
		if !keptForm.MatchString(f.SHA256) {
			continue
		}
		if k.names == nil {
			k.names = map[string]string{}
		}
		if _, known := k.names[f.SHA256]; !known {
			k.names[f.SHA256] = f.Name
		}
	}
	if len(k.names) > mostKept {
		return fmt.Errorf("these entries name more than %d kept files: bundle a smaller span", mostKept)
	}
	return nil
}

// sorted gives the sums in a fixed order.
func (k *keptFiles) sorted() (list []string) {
	for sum := range k.names {
		list = append(list, sum)
	}
	slices.Sort(list)
	return list
}

// find looks for the files, and says in a sentence of each that cannot be had why. The bundle is made without those.
func (k *keptFiles) find() (notHeld []string) {
	for _, sum := range k.sorted() {
		err := k.read(sum, io.Discard)
		if err == nil {
			k.held = append(k.held, sum)
			continue
		}
		notHeld = append(notHeld, fmt.Sprintf("The file %.100q that an entry names (SHA-256 %s) %v.", k.names[sum], sum, err))
	}
	return notHeld
}

// read copies a file that is as its name says. The error is what there is to say of it.
func (k *keptFiles) read(sum string, to io.Writer) error {
	root, err := os.OpenRoot(k.dir)
	if err != nil {
		return fmt.Errorf("is not there: the folder that it is kept in is gone")
	}
	defer root.Close()
	info, err := root.Lstat(sum)
	if err != nil || !info.Mode().IsRegular() {
		return fmt.Errorf("is not where it is kept")
	}
	f, err := root.Open(sum)
	if err != nil {
		return fmt.Errorf("could not be read where it is kept")
	}
	defer f.Close()
	hash := sha256.New()
	n, err := io.Copy(io.MultiWriter(to, hash), io.LimitReader(f, record.MostKept+1))
	switch {
	case err != nil:
		return fmt.Errorf("could not be read where it is kept")
	case n > record.MostKept || hex.EncodeToString(hash.Sum(nil)) != sum:
		return fmt.Errorf("is damaged where it is kept (SHA-256 differs)")
	}
	return nil
}

// write writes those that were found good. One that changes meanwhile ends it.
func (k *keptFiles) write(ctx context.Context, pack *packer) error {
	for _, sum := range k.held {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := pack.part(keptFolder+sum, func(w io.Writer) error { return k.read(sum, w) }); err != nil {
			return fmt.Errorf("the kept file %s %w", sum, err)
		}
	}
	return nil
}
