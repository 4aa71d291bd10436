package runs

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Limits on what is kept of procedures.
const (
	MostText       = 256 << 10 // bytes of one version
	MostProcedures = 500
	MostVersions   = 1000 // of one procedure
)

// Replaced is the state of a version that was adopted, and in whose place another one is.
const Replaced = "replaced"

// file is one procedure with its versions, oldest first.
type file struct {
	Name     string     `json:"name"`
	Adopted  int        `json:"adopted"` // the version that runs begin with; 0: none
	Versions []*Version `json:"versions"`
}

// Version is one version of a procedure. What it points to is never changed, only replaced.
type Version struct {
	record.ProcedureRef
	Title   string        `json:"title"`
	Source  string        `json:"source"` // the text, exactly as it was written
	State   string        `json:"state"`  // written, adopted, turned down, withdrawn, replaced
	Written record.UTC    `json:"written"`
	By      record.Actor  `json:"by"`
	Reason  string        `json:"reason,omitempty"`
	Decided *record.UTC   `json:"decided,omitempty"`
	Decider *record.Actor `json:"decider,omitempty"`
	Because string        `json:"because,omitempty"`

	def    *procedure.Definition // read once it is needed
	faulty error
}

// Procedure is one procedure, as somebody looks at it.
type Procedure struct {
	Name     string
	Adopted  int
	Versions []Version // newest first
}

// HashOf is the hash of a text, as records name it.
func HashOf(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "sha256:" + hex.EncodeToString(sum[:])
}

// definition reads the version's text, once. The view is locked.
func (v *Version) definition() (*procedure.Definition, error) {
	if v.def == nil && v.faulty == nil {
		if v.def, v.faulty = procedure.Parse(v.Name, []byte(v.Source)); v.faulty != nil {
			v.def, v.faulty = nil, fmt.Errorf("version %d of the procedure %s cannot be read by this weighpost: %w", v.ProcedureRef.Version, v.Name, v.faulty)
		}
	}
	return v.def, v.faulty
}

func (f *file) version(n int) *Version {
	if n < 1 || n > len(f.Versions) {
		return nil
	}
	return f.Versions[n-1]
}

// procedureChanged takes an entry about a version.
func (r *Room) procedureChanged(p *record.ProcedureChanged) error {
	ref, at := p.Procedure, p.Stamp.UTC
	f := r.procedures[ref.Name]
	if p.Change == record.ProcedureWritten {
		if f == nil {
			f = &file{Name: ref.Name}
			r.procedures[ref.Name] = f
		}
		if ref.Version != len(f.Versions)+1 {
			return fmt.Errorf("it is version %d of the procedure %s, and %d are known", ref.Version, ref.Name, len(f.Versions))
		}
		f.Versions = append(f.Versions, &Version{ProcedureRef: ref, Title: p.Title, Source: p.Source, State: record.ProcedureWritten, Written: at, By: p.By, Reason: p.Reason})
		return nil
	}
	if f == nil || f.version(ref.Version) == nil {
		return fmt.Errorf("there is no version %d of the procedure %s", ref.Version, ref.Name)
	}
	f.become(ref.Version, func(v *Version) {
		by := p.By
		v.State, v.Decided, v.Decider, v.Because = p.Change, &at, &by, p.Reason
	})
	switch {
	case p.Change == record.ProcedureAdopted:
		if f.Adopted != 0 && f.Adopted != ref.Version {
			f.become(f.Adopted, func(v *Version) { v.State = Replaced })
		}
		f.Adopted = ref.Version
	case f.Adopted == ref.Version:
		f.Adopted = 0
	}
	return nil
}

// become replaces a version by one that differs: others may be looking at it.
func (f *file) become(n int, change func(*Version)) {
	v := *f.Versions[n-1]
	change(&v)
	f.Versions[n-1] = &v
}

// Procedures lists all of them, by name.
func (r *Room) Procedures() []Procedure {
	r.view.Lock()
	defer r.view.Unlock()
	list := make([]Procedure, 0, len(r.procedures))
	for _, name := range slices.Sorted(maps.Keys(r.procedures)) {
		list = append(list, r.procedures[name].shown())
	}
	return list
}

// Procedure gives one of them.
func (r *Room) Procedure(name string) (p Procedure, known bool) {
	r.view.Lock()
	defer r.view.Unlock()
	if f := r.procedures[name]; f != nil {
		return f.shown(), true
	}
	return Procedure{}, false
}

func (f *file) shown() Procedure {
	p := Procedure{Name: f.Name, Adopted: f.Adopted}
	for _, v := range slices.Backward(f.Versions) {
		p.Versions = append(p.Versions, *v)
	}
	return p
}

// Definition gives a version as it was read. version 0 is the one that is adopted.
func (r *Room) Definition(name string, version int) (*procedure.Definition, error) {
	r.view.Lock()
	defer r.view.Unlock()
	f := r.procedures[name]
	if f == nil {
		return nil, record.ErrNoProcedure
	}
	v := f.version(cmp.Or(version, f.Adopted))
	if v == nil {
		return nil, record.ErrNoProcedure
	}
	return v.definition()
}

// Write makes a new version of a text without mistakes. An error that is a *record.NotDone says why not.
func (r *Room) Write(ctx context.Context, text, reason string, by record.Actor) (Version, error) {
	if len(text) > MostText {
		return Version{}, notDone("the text has %d bytes: at most %d are taken", len(text), MostText)
	}
	def, err := procedure.Parse("procedure", []byte(text))
	if err != nil {
		return Version{}, &record.NotDone{Why: err.Error()}
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return Version{}, err
	}
	defer done()
	ref := record.ProcedureRef{Name: def.Name, Version: 1, Hash: HashOf(text)}
	if ref.Version, err = r.nextVersion(ref); err != nil {
		return Version{}, err
	}
	e := &record.ProcedureChanged{Procedure: ref, Change: record.ProcedureWritten, Title: def.Title, Source: text, Reason: reason, By: by, Stamp: r.o.Stamp()}
	if _, err := r.view.Append(ctx, e); err != nil {
		return Version{}, err
	}
	return r.version(ref.Name, ref.Version)
}

// nextVersion is the number of the next version, or why there can be none.
func (r *Room) nextVersion(ref record.ProcedureRef) (int, error) {
	r.view.Lock()
	defer r.view.Unlock()
	f := r.procedures[ref.Name]
	switch {
	case f == nil && len(r.procedures) >= MostProcedures:
		return 0, notDone("there are %d procedures, which is the most that are kept", len(r.procedures))
	case f == nil:
		return 1, nil
	case len(f.Versions) >= MostVersions:
		return 0, notDone("the procedure %s has %d versions, which is the most that are kept: begin one under another name", ref.Name, len(f.Versions))
	}
	last := f.Versions[len(f.Versions)-1]
	if last.Hash == ref.Hash && (last.State == record.ProcedureWritten || last.State == record.ProcedureAdopted) {
		return 0, notDone("version %d of the procedure %s is this very text, and is %s", last.ProcedureRef.Version, ref.Name, last.State)
	}
	return len(f.Versions) + 1, nil
}

func (r *Room) version(name string, n int) (Version, error) {
	r.view.Lock()
	defer r.view.Unlock()
	if f := r.procedures[name]; f != nil && f.version(n) != nil {
		return *f.version(n), nil
	}
	return Version{}, record.ErrNoProcedure
}

// Decide adopts a version, turns it down or withdraws it. The error is record.ErrNoProcedure, or a *record.NotDone that says why not.
func (r *Room) Decide(ctx context.Context, name string, version int, change, reason string, by record.Actor) (Version, error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return Version{}, err
	}
	defer done()
	v, err := r.version(name, version)
	if err != nil {
		return v, err
	}
	if err := r.mayDecide(&v, change, by); err != nil {
		return v, err
	}
	e := &record.ProcedureChanged{Procedure: v.ProcedureRef, Change: change, Title: v.Title, Reason: reason, By: by, Stamp: r.o.Stamp()}
	if _, err := r.view.Append(ctx, e); err != nil {
		return v, err
	}
	return r.version(name, version)
}

// mayDecide says why something cannot become of a version, or nil.
func (r *Room) mayDecide(v *Version, change string, by record.Actor) error {
	as := fmt.Sprintf("version %d of the procedure %s is %s", v.ProcedureRef.Version, v.Name, v.State)
	waits := v.State == record.ProcedureWritten
	switch change {
	case record.ProcedureAdopted, record.ProcedureTurnedDown:
		if !waits {
			return notDone("%s: only one that was written, and waits, is adopted or turned down", as)
		}
	case record.ProcedureWithdrawn:
		if !waits && v.State != record.ProcedureAdopted {
			return notDone("%s already: no run begins with it", as)
		}
	default:
		return notDone("%.40q is nothing that becomes of a version: adopted, turned down, withdrawn", change)
	}
	if change != record.ProcedureAdopted {
		return nil
	}
	if r.o.Config().Adoption == SecondPerson && by.ID == v.By.ID {
		return notDone("%s wrote this version: another person adopts it", v.By.Shown())
	}
	r.view.Lock()
	defer r.view.Unlock()
	f := r.procedures[v.Name]
	if f.Adopted > v.ProcedureRef.Version {
		return notDone("version %d of the procedure %s is adopted, which is newer: write the text as a new version", f.Adopted, v.Name)
	}
	if _, err := f.version(v.ProcedureRef.Version).definition(); err != nil {
		return &record.NotDone{Why: err.Error()}
	}
	return nil
}
