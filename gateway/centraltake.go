package gateway

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/central"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/settings"
)

// judged is a signed file that may be taken, as far as the file itself tells.
type judged struct {
	file  *central.File
	state *record.Central // as it is recorded once it is taken
	from  string          // where it came from
}

// by is who has a file taken: whoever holds the keys.
func (j *judged) by() record.Actor {
	return record.Actor{ID: strings.Join(j.file.Signed, ", "), By: record.ActorSigned, Where: j.from}
}

// judge says whether a file may be taken by a site now, after the one that was taken last.
func judge(b []byte, cfg central.Config, site string, last *record.Central, now time.Time) (*judged, error) {
	f, err := central.Open(b, cfg.Keys)
	if err != nil {
		return nil, err
	}
	j := &judged{file: f, from: cfg.Shown(), state: &record.Central{Serial: f.Serial, Sum: f.Digest(), Signed: f.Signed, Until: record.UTC(f.Until)}}
	switch {
	case !f.For(site):
		return j, fmt.Errorf("it is for the site %.200s, and this is %s", strings.Join(f.Sites, ", "), site)
	case last != nil && f.Serial < last.Serial:
		return j, fmt.Errorf("its serial number is %d, and %d was taken already: an older file is never taken again", f.Serial, last.Serial)
	case last != nil && f.Serial == last.Serial && f.Digest() != last.Sum:
		return j, fmt.Errorf("its serial number is %d, under which something else was taken already: a changed file needs a new number", f.Serial)
	case now.After(f.Until):
		return j, fmt.Errorf("it could be taken until %s, which is over: somebody signs it anew, also where nothing changes",
			f.Until.UTC().Format(time.RFC3339))
	}
	return j, nil
}

// merged is a configuration with the parts of a signed file in it.
type merged struct {
	part *config.Part
	next *config.Config
}

// merge puts what a signed file sets onto a configuration, by the rules of a change through the API. The error says every mistake.
func merge(held *config.Config, f *central.File, secrets map[string][]string) (*merged, error) {
	const name = "signed settings"
	part, faults := config.LoadPart(name, f.Settings, f.Layouts)
	if len(faults) > 0 {
		return nil, faults
	}
	doc := part.Onto(held.Form(false))
	var next *config.Config
	if faults = outsideHost(held.File(), held.Form(false), doc, part.Layouts); len(faults) == 0 { // before that no file that it names is looked at
		next, faults = config.LoadFormWith(held.File(), doc, part.Layouts)
	}
	if len(faults) == 0 {
		faults = movedSecrets(secrets, held, next)
	}
	for i := range faults {
		if faults[i].File == "" || faults[i].File == held.File() {
			faults[i].File = name
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return &merged{part, next}, nil
}

// enough says whether as many people have signed as policy takes for what would change. A key stands for a person.
func enough(held, next *config.Config, signed []string) error {
	two := held.Settings.Adopt == settings.AdoptTwo
	for _, section := range config.Differing(held, next) {
		if two && held.Settings.Covers(section) && len(signed) < 2 {
			return fmt.Errorf("policy takes two people for a change of %s, and one key has signed: have somebody else sign it as well "+
				"(weighpost configuration countersign)", section)
		}
	}
	return nil
}

// TryCentral says what a signed file would change in a configuration, and under which serial number, without a journal: what was taken before
// is not known then, and neither are secrets that were in use before.
func TryCentral(b []byte, cfg *config.Config, now time.Time) (f *central.File, changes []string, err error) {
	j, err := judge(b, cfg.Central, cfg.Site, nil, now)
	if j == nil {
		return nil, nil, err
	}
	if err != nil {
		return j.file, nil, err
	}
	m, err := merge(cfg, j.file, nil)
	if err != nil {
		return j.file, nil, err
	}
	return j.file, config.Sentences(cfg, m.next, config.Differing(cfg, m.next)), enough(cfg, m.next, j.file.Signed)
}

// takeCentral makes a signed file hold, as a whole or not at all. It is false where all of it holds already.
func (g *Gateway) takeCentral(ctx context.Context, b []byte) (j *judged, taken bool, err error) {
	if err := g.takeTurn(ctx); err != nil {
		return nil, false, err
	}
	defer g.giveTurn()
	held, last := g.now.Load().cfg, g.roster.Central
	if j, err = judge(b, held.Central, held.Site, last, g.stamp().UTC.Time()); err != nil {
		return j, false, err
	}
	m, err := merge(held, j.file, g.roster.Secrets)
	if err != nil {
		return j, false, firstFaults(err)
	}
	j.state.Sections = m.part.Sections
	if err := enough(held, m.next, j.file.Signed); err != nil {
		return j, false, err
	}
	if last != nil && last.Serial == j.state.Serial && len(config.Differing(held, m.next)) == 0 {
		return j, false, nil
	}
	return j, true, g.writeCentral(ctx, j, m, held)
}

// writeCentral writes what a signed file sets into the file of the configuration, and has it hold. What else was edited there since the
// last reload is left for a reload, or for whom it waits for.
func (g *Gateway) writeCentral(ctx context.Context, j *judged, m *merged, held *config.Config) error {
	file, err := g.readFile()
	if err != nil {
		return err
	}
	file.unwritten = m.part.Layouts
	doc := m.part.Onto(file.cfg.Form(false))
	whole, faults := config.LoadFormWith(file.path, doc, file.unwritten)
	if len(faults) > 0 {
		return fmt.Errorf("the configuration file was edited on the host meanwhile, and does not fit what the signed one sets: %s", mistakesLine(faults))
	}
	text, err := config.EditWith(file.path, file.src, file.cfg.Form(false), doc, file.unwritten)
	if errors.Is(err, config.ErrNotWritten) && bytes.Equal(whole.Redacted(), file.cfg.Redacted()) { // only layouts differ, or nothing
		text, err = file.src, nil
	}
	if err != nil {
		return err
	}
	by := j.by()
	o := order{by: &by, central: j.state, reason: fmt.Sprintf("central settings with the serial number %d", j.state.Serial)}
	o.write = file.withLayouts(g.writing(settingsNote{By: by, Reason: o.reason, Central: j.state}, file.path, file.src, text))
	_, rest := sift(whole, m.next)
	if before := g.waits.Load(); rest != nil {
		rest.goesOn(before, record.Actor{By: record.ActorHost, Where: "reload"}, "", g.stamp().UTC)
	} else if before != nil && len(config.Differing(file.cfg, whole)) == 0 { // what waited is what was signed
		o.adopted, o.decided = before.id, before.id
		o.front = []record.Body{before.decision(record.SettingsAdopted, console.SettingsDecision{By: by, Reason: o.reason}, g.stamp())}
	}
	_, err = g.change(ctx, m.next, rest, o)
	if refused := new(Refused); errors.As(err, &refused) {
		return refused.Err
	}
	return err
}

// CentralSettings gives the page what was taken last while signed settings are pulled; nil: none is, or none was.
func (g *Gateway) CentralSettings() *record.Central {
	if !g.now.Load().cfg.Central.On() {
		return nil
	}
	return g.taken.Load()
}

// setElsewhere refuses a change here of what signed settings set: the next pull would put it back.
func (g *Gateway) setElsewhere(sections []string) error {
	c := g.CentralSettings()
	if c == nil {
		return nil
	}
	var theirs []string
	for _, section := range sections {
		if slices.Contains(c.Sections, section) {
			theirs = append(theirs, section)
		}
	}
	if len(theirs) == 0 {
		return nil
	}
	return &console.SettingsConflict{Why: fmt.Sprintf("%s: set by the central settings (serial number %d, signed by %s), which are changed and signed where they come from; "+
		"what is changed here would be put back", strings.Join(theirs, ", "), c.Serial, strings.Join(c.Signed, ", "))}
}
