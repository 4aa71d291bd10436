package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/tlog"
)

// Found is what is known of a journal in a folder without opening it.
type Found struct {
	// Present says that there is a journal, or a part of one.
	Present bool
	// Entries and Root are what its head file vouches for, with Incarnation; all empty where that cannot be read.
	Incarnation string
	Entries     uint64
	Root        tlog.Hash
	PublicKey   string // as key.pub has it; "" where that is missing
	// Why says what is wrong with it, as far as a glance shows; "" where nothing is.
	Why string
}

// Look tells what a folder holds, as far as its small files show, and writes nothing. An error means that the folder itself
// cannot be read.
func Look(ctx context.Context, dir string) (f Found, err error) {
	dir = folder(dir)
	if err := empty(osDisk{}, dir); err == nil {
		return f, nil
	} else if _, serr := os.Stat(dir); serr != nil {
		return f, fmt.Errorf("the folder %s cannot be read: %w", dir, serr)
	}
	f.Present = true
	if public, err := os.ReadFile(in(dir, pubName)); err == nil {
		f.PublicKey = string(public)
	}
	s, _, _, err := inspect(ctx, osDisk{}, dir, len(steps))
	switch {
	case ctx.Err() != nil:
		return f, ctx.Err()
	case err != nil:
		f.Why = err.Error()
	default:
		f.Incarnation, f.Entries = s.incarnation, s.edge.size // more than the head after a kill: those are kept
		f.Root, err = s.edge.root()
		return f, err
	}
	if file, err := os.ReadFile(in(dir, headName)); err == nil {
		if head, err := decodeHead(file); err == nil { // also of a journal that is damaged
			f.Incarnation, f.Entries, f.Root = head.incarnation, head.seq, head.root
		}
	}
	return f, nil
}

// restoringSuffix names the folder beside a journal in which the one that will replace it is built.
const restoringSuffix = ".restoring"

// Rebuild is Build for a folder that may hold a journal already. That one is never deleted: its folder is kept beside the new
// one, under the name that kept gives ("" where there was none); if it has the signing key, that vouches for the new one. A journal in
// use is refused. A cut at any moment leaves the
// folder as it was, or with the whole new journal; at worst with neither for as long as it takes Open, or Rebuild, to give the
// new one its name.
func Rebuild(ctx context.Context, dir string, o BuildOptions) (built Built, kept string, err error) {
	dir, d := filepath.Clean(dir), osDisk{}
	if err := finishRebuild(d, dir); err != nil {
		return built, "", err
	}
	found, err := Look(ctx, dir)
	if err != nil {
		return built, "", err
	}
	if !found.Present {
		built, err = Build(ctx, dir, o)
		return built, "", err
	}
	lock, err := takeLock(dir)
	if err != nil {
		return built, "", err
	}
	release := func() error { l := lock; lock = nil; return l.release() }
	defer func() {
		if lock != nil {
			err = errors.Join(err, release())
		}
	}()
	if o.Key == "" {
		o.Key = keyBeside(d, dir, o.PublicKey)
	}
	beside := dir + restoringSuffix
	if err := d.RemoveAll(beside); err != nil {
		return built, "", fmt.Errorf("what an earlier restore left in %s cannot be removed: %w", beside, err)
	}
	if built, err = Build(ctx, beside, o); err != nil {
		return built, "", errors.Join(err, d.RemoveAll(beside))
	}
	if runtime.GOOS == "windows" { // which does not rename a folder with an open file in it
		if err := release(); err != nil {
			return built, "", err
		}
	}
	kept, err = swapIn(d, dir, beside)
	return built, kept, err
}

// keyBeside gives the signing key in a folder that is replaced, where it is the one of a public key: "" otherwise.
func keyBeside(d disk, dir, public string) string {
	k, err := readKey(d, dir)
	if err != nil || k.public != strings.TrimSpace(public) {
		return ""
	}
	return k.secret
}

// swapIn puts the folder beside in the place of dir, which keeps its content under another name.
func swapIn(d disk, dir, beside string) (kept string, err error) {
	for i, stem := 0, dir+".replaced-"+time.Now().UTC().Format("20060102T150405Z"); ; i++ {
		kept = stem
		if i > 0 {
			kept = fmt.Sprintf("%s-%d", stem, i)
		}
		if there, err := d.Exists(kept); err != nil {
			return "", err
		} else if !there {
			break
		}
	}
	if err := d.Rename(dir, kept); err != nil {
		return "", errors.Join(fmt.Errorf("the folder %s cannot be renamed, and stays as it is: %w. Where it is a mount point of its own, "+
			"restore into another folder", dir, err), d.RemoveAll(beside))
	}
	if err := d.Rename(beside, dir); err != nil {
		if back := d.Rename(kept, dir); back != nil {
			return kept, fmt.Errorf("the restored journal is in %s, and cannot be renamed to %s: %w; the journal from before is in %s", beside, dir, err, kept)
		}
		return "", fmt.Errorf("the restored journal cannot be put in its place: %w. The folder %s is as it was", err, dir)
	}
	return kept, d.SyncDir(filepath.Dir(dir))
}

// finishRebuild gives a whole journal that was built beside a folder its place, where a cut left the folder away.
func finishRebuild(d disk, dir string) error {
	dir = filepath.Clean(dir)
	whole, err := d.Exists(in(dir+restoringSuffix, dbName))
	if err != nil || !whole {
		return nil // the parent cannot be read, or is not there: whoever opens the folder says so
	}
	if _, err := os.Lstat(dir); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := d.Rename(dir+restoringSuffix, dir); err != nil {
		return fmt.Errorf("a restored journal is in %s%s and cannot be renamed to %s: %w", dir, restoringSuffix, dir, err)
	}
	return d.SyncDir(filepath.Dir(dir))
}
