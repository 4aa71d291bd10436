package setup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/intake"
	"weighpost/parsers/layout"
)

// Addition is a balance that is to go into a configuration.
type Addition struct {
	Config  string        // the path of the configuration
	Balance intake.Config // its Layout as it stands in the file: a relative path starts at the folder of Config
	Layout  []byte        // the text of a layout that is written to Balance.Layout; nil where the file is there already

	Site, Journal string // of a configuration that is not there yet

	// Past tells which ids a journal has seen. nil: only the configuration tells which are taken.
	Past Past
}

// Past reads which ids the journal in a folder has seen, and with which serial numbers ("" where none was known). Where there
// is no journal the answer is nil.
type Past func(ctx context.Context, folder string) (map[string]string, error)

// Added is what Write did.
type Added struct {
	Config string   `json:"config"`           // the path of the configuration
	New    bool     `json:"new"`              // it was made
	Layout string   `json:"layout,omitempty"` // the path of the layout that was written
	Block  string   `json:"block"`            // the balance as it stands in the list of balances
	Notes  []string `json:"notes"`            // what is worth knowing
}

// ErrIDUsed is wrapped by the refusal of an id that was another balance's before.
var ErrIDUsed = errors.New("choose an id that was never used")

// planned is an addition that was found right, and not written yet.
type planned struct {
	was, is []byte // the configuration; was is nil where there is none
	layout  string // where the layout goes, "" for nowhere
	folder  string // the folder that was made for it, "" for none
	notes   []string
}

// Check says what stands in the way of the addition, as Write would, and writes nothing that stays.
func (a Addition) Check(ctx context.Context) error {
	p, err := a.plan(ctx)
	if err == nil {
		p.undo()
	}
	return err
}

// Write adds the balance: the layout first, then the configuration, each whole or not at all. Nothing is written where the
// result has mistakes (a strict.Faults), where the id or the port is taken, or where the id belonged to a balance before: for
// as long as the journal lives an id stays with its balance. Where the configuration cannot be written, the layout goes again.
func (a Addition) Write(ctx context.Context) (*Added, error) {
	p, err := a.plan(ctx)
	if err != nil {
		return nil, err
	}
	if p.was == nil {
		err = WriteNew(a.Config, p.is, false)
	} else {
		err = replaceFile(a.Config, p.was, p.is)
	}
	if err != nil {
		p.undo()
		return nil, err
	}
	return &Added{Config: a.Config, New: p.was == nil, Layout: p.layout, Block: config.BalanceBlock(a.Balance), Notes: p.notes}, nil
}

// plan writes the layout and makes the text of the configuration. It leaves nothing behind where it fails.
func (a Addition) plan(ctx context.Context) (p *planned, err error) {
	p = &planned{}
	p.was, err = config.ReadFile(a.Config)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p.was = nil
	case err != nil:
		return nil, fmt.Errorf("the configuration cannot be read: %w", err)
	}
	if err := a.putLayout(p); err != nil {
		return nil, err
	}
	if err := a.putText(p); err != nil {
		p.undo()
		return nil, err
	}
	c, faults := config.Load(a.Config, p.is)
	if err := faults.Err(); err != nil {
		p.undo()
		return nil, err
	}
	for _, n := range c.Notes() {
		if strings.HasPrefix(n.Path, fmt.Sprintf("balances[%d]", len(c.Balances)-1)) {
			p.notes = append(p.notes, n.What)
		}
	}
	if err := a.past(ctx, c.Journal.Folder, p); err != nil {
		p.undo()
		return nil, err
	}
	return p, nil
}

func (a Addition) putText(p *planned) (err error) {
	if len(bytes.TrimSpace(p.was)) > 0 {
		p.is, err = config.AddBalance(a.Config, p.was, a.Balance)
		return err
	}
	switch {
	case a.Site == "":
		return fmt.Errorf("there is no configuration %s yet, and a new one needs the name of the site", a.Config)
	case a.Journal == "":
		return fmt.Errorf("there is no configuration %s yet, and a new one needs the folder of the journal", a.Config)
	}
	p.is = config.NewText(a.Site, a.Journal, a.Balance)
	return nil
}

// PutLayout writes the layout of the addition, if it has one that is not there yet, and says where; undo takes it away again.
func (a Addition) PutLayout() (path string, undo func(), err error) {
	p := &planned{}
	if err := a.putLayout(p); err != nil {
		return "", nil, err
	}
	return p.layout, p.undo, nil
}

// putLayout writes the layout, so that the configuration with it can be validated.
func (a Addition) putLayout(p *planned) error {
	if a.Layout == nil {
		return nil
	}
	path := a.Balance.Layout
	if !filepath.IsAbs(path) {
		path = filepath.Join(filepath.Dir(a.Config), path)
	}
	if _, err := layout.Parse(path, a.Layout); err != nil {
		return fmt.Errorf("the layout has mistakes: %w", err)
	}
	if there, err := os.ReadFile(path); err == nil && bytes.Equal(there, a.Layout) {
		return nil
	}
	switch err := os.Mkdir(filepath.Dir(path), 0o755); {
	case err == nil:
		p.folder = filepath.Dir(path)
	case !errors.Is(err, fs.ErrExist):
		return fmt.Errorf("the folder of the layout cannot be made: %w", err)
	}
	if err := WriteNew(path, a.Layout, false); err != nil {
		p.undo()
		return fmt.Errorf("the layout: %w", err)
	}
	p.layout = path
	return nil
}

// undo takes away what plan has written.
func (p *planned) undo() {
	if p.layout != "" {
		os.Remove(p.layout)
	}
	if p.folder != "" {
		os.Remove(p.folder)
	}
}

// past refuses an id that the journal knows from another balance.
func (a Addition) past(ctx context.Context, folder string, p *planned) error {
	if a.Past == nil {
		return nil
	}
	known, err := a.Past(ctx, folder)
	if err != nil {
		p.notes = append(p.notes, fmt.Sprintf("whether the id %s was used before is not known (%v); the daemon refuses it if its serial number was another",
			a.Balance.ID, err))
		return context.Cause(ctx)
	}
	serial, used := known[a.Balance.ID]
	switch {
	case !used || serial != "" && serial == a.Balance.Serial:
		return nil
	case serial == "":
		return fmt.Errorf("the id %s was used before in the journal %s, for a balance whose serial number is not known: %w",
			a.Balance.ID, folder, ErrIDUsed)
	}
	return fmt.Errorf("the id %s belongs to the balance with the serial number %q in the journal %s: %w",
		a.Balance.ID, serial, folder, ErrIDUsed)
}
