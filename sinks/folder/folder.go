// Package folder is what all sinks that keep files have in common, wherever the folder is: on this machine, on a share, behind
// SSH. It names files, writes each under another name first, has it flushed and only then gives it its name, and knows a file
// again that is there already. What a kind of sink brings is an FS.
//
// Nobody ever sees half a file under its name, and no file that is there is replaced: the same bytes again are done, other
// bytes are refused. What an attempt left that was cut off lies under a name of its own that begins with ".weighpost-" and ends
// in ".part", and is removed by the next attempt.
package folder

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"

	"weighpost/sinks"
	"weighpost/sinks/format"
)

// FS is a folder that can be reached now. Names have slashes, are made by this package, and never lead out of the folder. Errors
// are fs.ErrNotExist, fs.ErrExist and fs.ErrPermission where that is what they say. Calls end soon after their context does.
type FS interface {
	// Stat looks at what has a name, without following a link.
	Stat(ctx context.Context, name string) (fs.FileInfo, error)
	// Create makes a file for writing; fs.ErrExist where something has the name.
	Create(ctx context.Context, name string) (File, error)
	// Open opens a plain file for reading. Calls on the file end soon after ctx does.
	Open(ctx context.Context, name string) (File, error)
	// Rename gives a file another name. With replace a file that has it goes, in one step where the far side can; without, it
	// stays where the far side can see to that, and the error is fs.ErrExist.
	Rename(ctx context.Context, from, to string, replace bool) error
	// Remove removes a file; fs.ErrNotExist where there is none.
	Remove(ctx context.Context, name string) error
	// Mkdir makes a folder in one that is there. One that is there already is no error.
	Mkdir(ctx context.Context, name string) error
	// Each looks through a folder, in any order, until f gives an error.
	Each(ctx context.Context, name string, f func(fs.FileInfo) error) error
	// Settle has the names of files, which were flushed before they got them, on the disk, as far as the far side can. It gives
	// how many of them, from the first on, surely are; all without an error.
	Settle(ctx context.Context, names []string) (int, error)
	Close() error
}

// File is an open file, used by one goroutine.
type File interface {
	io.Reader
	io.Writer
	Sync() error // has what was written on the disk
	Close() error
}

// Filing is how one sink keeps files.
type Filing struct {
	Where    string        // the folder, for sentences: "the folder /srv/weighings"
	Site     string        // whose entries are looked for
	Name     Name          // of the file of an entry; nil where there is none
	Closed   Name          // of the file of a closed batch; nil where there is none
	Format   format.Format // what is in them
	Choice   format.Choice // what Format was made of
	Manifest bool          // a file NAME.sha256 beside each
	Temp     string        // name of a file that is being written; see TempName
	// Explain says in a sentence what a call said, and whether that passes (see package sinks).
	Explain func(error) error
}

// NewFiling gives how a sink keeps files as it is configured. Where no name is given, entry is that of entries, without the end
// that the format gives it.
func NewFiling(c format.Choice, name, entry string, manifest bool, id string, env sinks.Env) (Filing, error) {
	f := Filing{Site: env.Site, Choice: c, Manifest: manifest, Temp: TempName(env.Site, id)}
	var err error
	if f.Format, err = c.Open(env); err != nil {
		return f, err
	}
	if name == "" {
		f.Name, err = ParseName(entry + f.Format.Ext())
		f.Closed, _ = ParseName(BatchName + f.Format.Ext()) // ours
	} else if f.Name, err = ParseName(name); f.Name.Uses(Batch) {
		f.Name, f.Closed = nil, f.Name
	}
	if err != nil {
		return f, fmt.Errorf("the name of the files %w", err)
	}
	return f, nil
}

// TempName is the name of a file that a sink is writing. Sites that share a folder may call their sinks alike, and must not give
// each other's half-written files a name.
func TempName(site, id string) string {
	return ".weighpost-" + format.SafeName(site) + "-" + format.SafeName(id) + ".part"
}

// Visit is one stay in a folder: what was found there in it.
type Visit struct {
	FS
	made  map[string]bool   // folders that are there
	temps map[string]string // folder: the name that is free for files being written
}

// NewVisit begins a stay. It ends with the first error: what it knows may then no longer be so.
func NewVisit(f FS) *Visit {
	return &Visit{FS: f, made: map[string]bool{".": true}, temps: map[string]string{}}
}

// maxMade bounds what a visit remembers; forgetting costs asking again.
const maxMade = 4096

// mkdir makes the folders above a file.
func (v *Visit) mkdir(ctx context.Context, dir string) error {
	if v.made[dir] {
		return nil
	}
	if err := v.mkdir(ctx, path.Dir(dir)); err != nil {
		return err
	}
	if err := v.Mkdir(ctx, dir); err != nil {
		return err
	}
	if len(v.made) >= maxMade {
		clear(v.made)
		v.made["."] = true
	}
	v.made[dir] = true
	return nil
}

// mostTemps is how many names there are for files being written. More than one is needed where a server holds on to a file of
// a connection that it has not yet noticed to be gone.
const mostTemps = 4

// create makes a file to be written in a folder, under a name that is not its last.
func (v *Visit) create(ctx context.Context, dir, temp string) (string, File, error) {
	if err := v.mkdir(ctx, dir); err != nil {
		return "", nil, err
	}
	if name, known := v.temps[dir]; known {
		f, err := v.Create(ctx, name)
		if !errors.Is(err, fs.ErrExist) {
			return name, f, err
		}
	}
	name, err := v.sweep(ctx, dir, temp)
	if err != nil {
		return "", nil, err
	}
	if len(v.temps) >= maxMade {
		clear(v.temps)
	}
	v.temps[dir] = name
	f, err := v.Create(ctx, name)
	return name, f, err
}

// sweep removes what was left over in a folder, and gives a name that is free.
func (v *Visit) sweep(ctx context.Context, dir, temp string) (free string, err error) {
	for i := range mostTemps {
		name := path.Join(dir, temp)
		if i > 0 {
			name = path.Join(dir, fmt.Sprintf("%s.%d.part", temp[:len(temp)-len(".part")], i+1))
		}
		rerr := v.Remove(ctx, name)
		switch {
		case rerr == nil || errors.Is(rerr, fs.ErrNotExist):
			if free == "" {
				free = name
			}
		case ctx.Err() != nil:
			return "", rerr
		default:
			err = rerr
		}
	}
	if free == "" {
		return "", fmt.Errorf("what was left over cannot be removed: %w", err)
	}
	return free, nil
}
