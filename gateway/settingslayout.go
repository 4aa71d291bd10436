package gateway

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/screens"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

// drawn is a layout that a change brings along.
type drawn struct {
	unwritten config.Unwritten
	read      []console.FrameRead
}

// drawUp makes a layout of what a change says of the lines of its balance, and has the balance name the file that it is going to be
// in. Faults carry paths below layout.
func drawUp(c *console.SettingsChange) (d drawn, faults strict.Faults) {
	if c.Layout == nil || c.List != "balances" || c.Item == nil {
		return d, nil
	}
	text, faults := config.LayoutText("the layout", c.Layout)
	if len(faults) > 0 {
		for i := range faults {
			faults[i].Path = "layout." + faults[i].Path
		}
		return d, faults
	}
	path := config.LayoutFile(c.ID, text)
	c.Item["layout"] = path
	d.unwritten = config.Unwritten{path: text}
	if c.DryRun && len(c.Frames) > 0 {
		d.read = readAs(text, c.Frames)
	}
	return d, nil
}

// readAs reads frames by a layout.
func readAs(text []byte, frames [][]byte) (list []console.FrameRead) {
	l, err := layout.Parse("the layout", text)
	if err != nil {
		return nil
	}
	for _, b := range frames {
		list = append(list, screens.ReadFrame(l, b))
	}
	return list
}

// withLayouts writes the layouts that a change brings along before the rest is written.
func (f *fileNow) withLayouts(write func() (func(), error)) func() (func(), error) {
	return func() (func(), error) {
		undo, err := writeLayouts(filepath.Dir(f.path), f.unwritten)
		if err != nil {
			return nil, &console.SettingsConflict{Why: err.Error()}
		}
		undoRest, err := write()
		if err != nil {
			undo()
			return nil, err
		}
		return func() { undoRest(); undo() }, nil
	}
}

// writeLayouts writes files below a folder, on the disk. What is there already and says the same stays, also when it is undone.
func writeLayouts(folder string, unwritten config.Unwritten) (undo func(), err error) {
	var made []string
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, notWritable(folder, err)
	}
	defer root.Close()
	undo = func() {
		for _, path := range made {
			_ = os.Remove(filepath.Join(folder, path))
		}
	}
	for path, text := range unwritten {
		fresh, err := writeLayout(root, path, text)
		if fresh {
			made = append(made, path)
		}
		if err != nil {
			undo()
			return nil, notWritable(filepath.Join(folder, path), err)
		}
	}
	if len(made) > 0 {
		if err := syncFolder(filepath.Join(folder, layoutsFolder)); err != nil {
			undo()
			return nil, notWritable(folder, err)
		}
	}
	return undo, nil
}

// writeLayout writes one file, whole or not at all: one that a kill cut off would stand in the way of the next try. fresh: it was not there.
func writeLayout(root *os.Root, path string, text []byte) (fresh bool, err error) {
	if err := root.Mkdir(layoutsFolder, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return false, err
	}
	there, err := root.ReadFile(path)
	switch {
	case err == nil && !bytes.Equal(there, text):
		return false, errors.New("another file is there under that name")
	case !errors.Is(err, fs.ErrNotExist):
		return false, err
	}
	part := path + ".part"
	_ = root.Remove(part) // of a try that was cut off
	f, err := root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return false, err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = root.Rename(part, path)
	}
	if err != nil {
		return false, errors.Join(err, root.Remove(part))
	}
	return true, nil
}
