package gateway

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
)

// keptAs follows the name of a file where what was turned down is kept.
const keptAs = ".turned-down"

// fileText is a file that is put back: what it says, and what it said before.
type fileText struct {
	path        string
	now, before []byte
}

// putBackAll puts back everything on the host in which a change stands that is turned down: layouts, and the configuration file.
// It is done as a whole, or not at all and an error. note tells the person what was done, or what to do.
func (g *Gateway) putBackAll(d console.SettingsDecision, held *config.Config, file *fileNow, w *waiting) (undo func(), note string, err error) {
	undo = func() {}
	texts, err := putBack(held, file, w)
	if err != nil {
		return undo, fmt.Sprintf("The file on the host still says it: %v.", err), err
	}
	var names []string
	for i, one := range texts {
		var next func()
		before, kept := undo, keptAs
		if bytes.Equal(one.now, one.before) {
			kept = ""
		} else {
			names = append(names, filepath.Base(one.path))
		}
		if i == len(texts)-1 { // the configuration file: with it, the change is gone
			next, err = g.noting(settingsNote{By: d.By, Reason: d.Reason, Decided: w.id}, one.path, one.now, one.before, kept)
		} else {
			next, err = replaceFile(one.path, one.now, one.before, kept)
		}
		if err != nil {
			undo()
			return func() {}, fmt.Sprintf("The file on the host still says it: %v.", err), err
		}
		undo = func() { next(); before() }
	}
	return undo, "What was turned down is kept beside " + strings.Join(names, " and ") + ", with " + keptAs + " behind the name.", nil
}

// putBack gives the texts of the files without a change that waits in them, the configuration file last.
func putBack(held *config.Config, file *fileNow, w *waiting) ([]fileText, error) {
	before, faults := file.cfg.With(held, w.sections)
	if len(faults) > 0 {
		return nil, errors.New(mistakesLine(faults))
	}
	text, err := config.Edit(file.path, file.src, file.cfg.Form(false), before.Form(false))
	if errors.Is(err, config.ErrNotWritten) && bytes.Equal(before.Redacted(), file.cfg.Redacted()) { // only layouts differ
		text, err = file.src, nil
	}
	if err != nil {
		return nil, err
	}
	texts, err := layoutsBack(before, filepath.Dir(file.path))
	return append(texts, fileText{file.path, file.src, text}), err
}

// layoutsBack finds the layout files that say something else than a configuration that is to hold goes by.
func layoutsBack(before *config.Config, dir string) (texts []fileText, err error) {
	for i := range before.Balances {
		b := &before.Balances[i]
		path := b.Layout
		if !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		want := []byte(before.Layout(b.ID).Text())
		if at := slices.IndexFunc(texts, func(t fileText) bool { return t.path == path }); at >= 0 {
			if !bytes.Equal(texts[at].before, want) {
				return nil, fmt.Errorf("the layout file %s said different things to several balances, which no file can: put it back by hand, with a file for "+
					"each (weighpost journal list --kind configured has the texts)", path)
			}
			continue
		}
		now, err := config.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("the layout file %s cannot be read: %w. Put it back by hand (weighpost journal list --kind configured has its text)", path, err)
		}
		texts = append(texts, fileText{path, now, want})
	}
	return slices.DeleteFunc(texts, func(t fileText) bool { return bytes.Equal(t.now, t.before) }), nil
}
