package backup

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// PutBack says where files of a backup may go that are no part of the journal: the configuration with its layouts, and secrets.
// Nothing is written outside of the two folders that it names, whatever the backup says, and nothing is ever replaced.
type PutBack struct {
	ConfigFile string // "": the configuration is not put back; one that is there is left as it is
	Into       string // the journal's folder
}

// Placed is what became of one file of a backup.
type Placed struct {
	What string `json:"what"`
	Path string `json:"path,omitempty"` // where it is now; "" where it was not put back
	// Was is where it was on the computer of the backup, where that is not Path: it has to be moved, or the configuration changed.
	Was string `json:"was,omitempty"`
	Why string `json:"why,omitempty"` // why it was not put back
}

// aside is the folder below that of the configuration for what belongs to a place that a restore must not write to.
const aside = "restored-secrets"

// Configuration writes the configuration and its layouts, where there is no configuration yet.
func (p PutBack) Configuration(b *File) ([]Placed, error) {
	files, err := b.Config()
	if err != nil || len(files) == 0 {
		return nil, err
	}
	what := "the configuration"
	if p.ConfigFile == "" {
		return []Placed{{What: what, Was: files[0].From, Why: "it is in the backup: name a file for it with --config to have it put there"}}, nil
	}
	if _, err := os.Lstat(p.ConfigFile); err == nil {
		return []Placed{{What: what, Was: files[0].From, Why: fmt.Sprintf("%s is there already, and is left as it is", p.ConfigFile)}}, nil
	}
	var all []Placed
	for i, f := range files {
		name := filepath.FromSlash(f.From)
		switch {
		case i == 0:
			name = filepath.Base(p.ConfigFile)
		case !filepath.IsLocal(name):
			what = "the layout or other file " + f.From
			all = append(all, Placed{What: what, Was: f.From, Why: "it was outside of the folder of the configuration; it is in the backup as " + f.Part})
			continue
		default:
			what = "the file " + f.From
		}
		all = append(all, put(what, filepath.Dir(p.ConfigFile), name, f.From, f.Text, 0o640))
	}
	return all, nil
}

// Secrets writes secrets to where they were, if that is in the folder of the configuration, or to their place in the journal's
// folder; other ones go to a folder beside the configuration. The signing key is not written: the restored journal has one of
// its own. inJournal chooses those that belong into the journal's folder, which are written once that is in its place.
func (p PutBack) Secrets(secrets []Secret, inJournal bool) (all []Placed) {
	old := "" // the journal's folder as it was
	for _, s := range secrets {
		if s.Name == SigningKey {
			old = filepath.Dir(s.From)
		}
	}
	for _, s := range secrets {
		if s.Name == SigningKey {
			continue
		}
		rel, within := below(old, s.From)
		if within != inJournal {
			continue
		}
		if within {
			all = append(all, put(s.What, p.Into, rel, s.From, s.Text, 0o600))
			continue
		}
		if p.ConfigFile == "" {
			all = append(all, Placed{What: s.What, Was: s.From, Why: "say with --config where the configuration is, and it is put beside that"})
			continue
		}
		folder := filepath.Dir(p.ConfigFile)
		name, within := below(folder, s.From)
		if !within {
			name = filepath.Join(aside, filepath.FromSlash(s.Name))
		}
		all = append(all, put(s.What, folder, name, s.From, s.Text, 0o600))
	}
	return all
}

// below gives the path of a file within a folder, or false where it is not in there.
func below(folder, file string) (string, bool) {
	if folder == "" || !filepath.IsAbs(file) {
		return "", false
	}
	folder, err := filepath.Abs(folder)
	if err != nil {
		return "", false
	}
	rel, err := filepath.Rel(folder, filepath.Clean(file))
	return rel, err == nil && filepath.IsLocal(rel) && rel != "."
}

// put writes one new file within a folder, which is made if it is not there, and has it on the disk.
func put(what, folder, name, was string, text []byte, mode fs.FileMode) Placed {
	at := filepath.Join(folder, name)
	done := Placed{What: what, Path: at}
	if filepath.Clean(was) != at {
		done.Was = was
	}
	if err := putFile(folder, name, text, mode); err != nil {
		done.Path, done.Why = "", fmt.Sprintf("%s was not written: %v", at, err)
		if errors.Is(err, fs.ErrExist) {
			done.Why = at + " is there already, and is left as it is"
		}
		done.Was = was
	}
	return done
}

func putFile(folder, name string, text []byte, mode fs.FileMode) error {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return err
	}
	defer root.Close()
	dirMode := fs.FileMode(0o750)
	if mode&0o077 == 0 {
		dirMode = 0o700
	}
	if err := root.MkdirAll(filepath.Dir(name), dirMode); err != nil {
		return err
	}
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		err = errors.Join(err, root.Remove(name))
	}
	return err
}

// Reenter lists, a sentence each, what has to be entered again after a restore: what no backup holds, and the secrets of this
// one where they were not read. The signing key is no part of it: it cannot be entered, only replaced.
func (b *File) Reenter(secretsRead bool) []string {
	all := []string{}
	for _, s := range b.manifest.NotHeld {
		if !strings.Contains(s, signingKeyWord) {
			all = append(all, s)
		}
	}
	for _, s := range b.manifest.Secrets {
		if !secretsRead && !strings.Contains(s, signingKeyWord) {
			all = append(all, "must be entered again, or read from the backup with --identity: "+s)
		}
	}
	return all
}

const signingKeyWord = "signing key"
