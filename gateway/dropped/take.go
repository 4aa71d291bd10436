package dropped

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"
)

// What lies in working: a file under its id, and the answer to it.
var (
	workName   = regexp.MustCompile(`^([0-9a-f]{32})--(.+)$`)
	answerName = regexp.MustCompile(`^([0-9a-f]{32})\.answer\.json$`)
)

// unsoundName stands for a name that cannot be used.
const unsoundName = "name-cannot-be-used"

// notMoved says that a file cannot be moved into working.
type notMoved struct{ err error }

func (n *notMoved) Error() string { return n.err.Error() }
func (n *notMoved) Unwrap() error { return n.err }

// newID is unlike any other, and later ones sort after earlier ones.
func (r *Room) newID() string {
	var random [8]byte
	_, _ = rand.Read(random[:]) // it never fails
	return fmt.Sprintf("%016x", uint64(r.now().UnixNano())) + hex.EncodeToString(random[:])
}

// take moves a file into working, and carries it out.
func (r *Room) take(ctx context.Context, cfg Config, root *os.Root, name string) error {
	id, short := r.newID(), name
	if !sound(name) {
		short = unsoundName
		r.o.Log.Warn("a file with requests has a name that cannot be used", "name", fmt.Sprintf("%.200q", name))
	}
	w := id + "--" + short
	err := root.Rename(name, path.Join(workingDir, w))
	if errors.Is(err, fs.ErrNotExist) {
		return nil // whoever dropped it took it back
	}
	if err != nil {
		return &notMoved{err}
	}
	// Only once the move would survive a power cut: the file must not be found where it was, and be taken as a new one.
	if err := errors.Join(syncDir(root, workingDir), syncDir(root, ".")); err != nil {
		return err
	}
	delete(r.seen, name)
	r.fresh[id] = true
	return r.work(ctx, cfg, root, id, w)
}

// goOn ends what is in working, in the order in which it was taken.
func (r *Room) goOn(ctx context.Context, cfg Config, root *os.Root) error {
	d, err := root.Open(workingDir)
	if err != nil {
		return err
	}
	defer d.Close()
	names, err := d.Readdirnames(-1)
	if err != nil {
		return err
	}
	files, answered := map[string]string{}, map[string]bool{}
	var ids []string
	for _, name := range names {
		if m := answerName.FindStringSubmatch(name); m != nil {
			answered[m[1]] = true
			ids = append(ids, m[1])
		} else if m := workName.FindStringSubmatch(name); m != nil {
			files[m[1]] = name
			ids = append(ids, m[1])
		}
	}
	slices.Sort(ids)
	for _, id := range slices.Compact(ids) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if answered[id] {
			err = r.putAway(root, id, files[id])
		} else {
			err = r.work(ctx, cfg, root, id, files[id])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// work carries out a file in working, answers it and puts both away.
func (r *Room) work(ctx context.Context, cfg Config, root *os.Root, id, w string) error {
	name := strings.TrimPrefix(w, id+"--")
	a, err := r.answers[id], error(nil)
	if a == nil {
		if a, err = r.carryOut(ctx, cfg, root, id, w, name); err != nil {
			return err
		}
		a.sum()
		a.At = r.o.Stamp().UTC
		r.answers[id] = a
		delete(r.progress, id)
		delete(r.fresh, id)
	}
	if a.KeptAs, err = freeName(root, a.dir(), name, id); err != nil {
		return err
	}
	if err := writeAnswer(root, id, a); err != nil {
		return fmt.Errorf("the answer to %s cannot be written: %w", name, err)
	}
	delete(r.answers, id)
	r.o.Log.Info("took a file with requests", "file", name, "done", a.Done, "refused", a.Refused, "kept", a.KeptAs)
	return r.putAway(root, id, w)
}

// writeAnswer writes the answer into working: whole and durable, or not at all.
func writeAnswer(root *os.Root, id string, a *Answer) error {
	b, err := a.bytes()
	if err != nil {
		return err
	}
	part := path.Join(workingDir, id+".answer.part")
	_ = root.Remove(part) // of a try that was cut off; whatever else is there is not followed
	f, err := root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o660)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		_ = root.Remove(part)
		return err
	}
	if err := root.Rename(part, path.Join(workingDir, id+".answer.json")); err != nil {
		return err
	}
	return syncDir(root, workingDir)
}

// putAway moves a file that is answered, and then its answer. w is "" where the file was moved already.
func (r *Room) putAway(root *os.Root, id, w string) error {
	at := path.Join(workingDir, id+".answer.json")
	kept, err := keptAs(root, at)
	if err != nil {
		r.o.Log.Error("an answer in working cannot be read; what it was about is looked up in the journal", "file", at, "err", err)
		return root.Rename(at, path.Join(workingDir, id+".unreadable"))
	}
	dir, name := path.Split(kept)
	if w != "" {
		err := place(root, path.Join(workingDir, w), kept)
		if errors.Is(err, fs.ErrExist) { // somebody has put something there since the name was chosen
			return r.keepElsewhere(root, id, strings.TrimPrefix(w, id+"--"), strings.TrimSuffix(dir, "/"))
		}
		if err != nil {
			return err
		}
	}
	err = place(root, at, dir+answerTo(name))
	if errors.Is(err, fs.ErrExist) {
		err = place(root, at, dir+id+".answer.json")
	}
	if err != nil {
		return err
	}
	return errors.Join(syncDir(root, strings.TrimSuffix(dir, "/")), syncDir(root, workingDir))
}

// keepElsewhere writes another name into an answer. The next round puts both away.
func (r *Room) keepElsewhere(root *os.Root, id, name, dir string) error {
	b, err := root.ReadFile(path.Join(workingDir, id+".answer.json"))
	if err != nil {
		return err
	}
	var a Answer
	if err := json.Unmarshal(b, &a); err != nil {
		return err
	}
	if a.KeptAs, err = freeName(root, dir, name, id); err != nil {
		return err
	}
	return writeAnswer(root, id, &a)
}

// keptAs reads from an answer where its file is to lie.
func keptAs(root *os.Root, at string) (string, error) {
	info, err := root.Lstat(at)
	if err != nil {
		return "", err
	}
	if !info.Mode().IsRegular() || info.Size() > 8*mostHeld {
		return "", errors.New("it is no answer")
	}
	b, err := root.ReadFile(at)
	if err != nil {
		return "", err
	}
	var a Answer
	if err := json.Unmarshal(b, &a); err != nil {
		return "", err
	}
	dir, name := path.Split(a.KeptAs)
	if dir != takenDir+"/" && dir != refusedDir+"/" || name == "" || !sound(strings.TrimSuffix(name, path.Ext(name))) {
		return "", errors.New("it does not say where its file is to lie")
	}
	return a.KeptAs, nil
}

// place gives a file another name where nothing has that name yet: the error is fs.ErrExist otherwise. Cut off in the middle and done
// again it comes to the same.
func place(root *os.Root, from, to string) error {
	err := root.Link(from, to)
	if err == nil {
		return root.Remove(from)
	}
	here, hereErr := root.Lstat(from)
	if hereErr != nil {
		return hereErr
	}
	there, thereErr := root.Lstat(to)
	switch {
	case thereErr == nil && os.SameFile(here, there):
		return root.Remove(from)
	case thereErr == nil:
		return &fs.PathError{Op: "place", Path: to, Err: fs.ErrExist}
	case !errors.Is(thereErr, fs.ErrNotExist):
		return thereErr
	}
	return root.Rename(from, to) // where a file system has no links
}

// freeName gives a place for a file and its answer where neither is.
func freeName(root *os.Root, dir, name, id string) (string, error) {
	end := ends(name)
	stem := name[:len(name)-len(end)]
	end = name[len(stem):]
	const most = 10_000
	for n := 1; n <= most; n++ {
		one := name
		if n > 1 {
			one = fmt.Sprintf("%s.%d%s", stem, n, end)
		}
		free := true
		for _, at := range []string{one, answerTo(one)} {
			_, err := root.Lstat(path.Join(dir, at))
			if err == nil {
				free = false
			} else if !errors.Is(err, fs.ErrNotExist) {
				return "", err
			}
		}
		if free {
			return path.Join(dir, one), nil
		}
	}
	return path.Join(dir, stem+"."+id+end), nil
}

// answerTo gives the name of the answer to a file.
func answerTo(name string) string {
	if ends(name) != "" {
		name = name[:len(name)-len(path.Ext(name))]
	}
	return name + ".answer.json"
}
