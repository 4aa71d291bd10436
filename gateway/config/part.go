package config

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// ownSections are the parts of a configuration that no file from elsewhere sets: which site it is, where its journal and its page are,
// and whom it believes.
var ownSections = []string{"site", "journal", "page", "central"}

// Part is some parts of a configuration as a file from elsewhere sets them. A part that is there is there as a whole.
type Part struct {
	Sections []string  // which, in the order of the file
	Layouts  Unwritten // that its balances name, by the names that they get on the disk
	Named    []string  // layouts as its balances name them, each once
	doc      map[string]any
}

// LoadPart reads what a file from elsewhere sets, with the layouts that go along with it by the names that its balances give them. That it
// fits the rest of a configuration is for LoadForm to find. The faults have lines.
func LoadPart(name string, src []byte, layouts map[string][]byte) (*Part, strict.Faults) {
	c, p := &Config{}, &Part{Layouts: Unwritten{}}
	doc, faults := strict.Load(name, src, c)
	r := doc.Report()
	for _, key := range append([]string{"site"}, Sections()...) {
		switch {
		case !r.At(key).Written():
		case slices.Contains(ownSections, key):
			r.At(key).Fault("belongs to each gateway, and cannot be set from elsewhere", "any part but "+strings.Join(ownSections, ", "))
		default:
			p.Sections = append(p.Sections, key)
		}
	}
	used := map[string]bool{}
	for i := range c.Balances {
		b := &c.Balances[i]
		if b.Layout != "" && !slices.Contains(p.Named, b.Layout) {
			p.Named = append(p.Named, b.Layout)
		}
		if text, along := layouts[b.Layout]; along {
			used[b.Layout] = true
			b.Layout = LayoutFile(b.ID, text)
			p.Layouts[b.Layout] = text
		}
	}
	for _, name := range slices.Sorted(maps.Keys(layouts)) {
		if !used[name] {
			r.Fault(fmt.Sprintf("the layout %.80q goes along, and no balance names it", name), "only layouts that a balance of the file names")
		}
	}
	if faults = append(faults, r.Faults()...); len(faults) == 0 && len(p.Sections) == 0 {
		faults = strict.Faults{{File: name, What: "sets nothing", Allowed: "one part of a configuration, or more"}}
	}
	faults.Sort()
	p.doc = c.Form(false)
	return p, faults
}

// Onto gives what a document of Form is with these parts in the place of its own. The document is not changed.
func (p *Part) Onto(doc map[string]any) map[string]any {
	next := maps.Clone(doc)
	for _, key := range p.Sections {
		if value, set := p.doc[key]; set {
			next[key] = value
		} else { // as if nothing were written there
			delete(next, key)
		}
	}
	return next
}
