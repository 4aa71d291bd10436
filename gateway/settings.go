package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/settings"
	"weighpost/parsers/strict"
)

// Settings gives the API the configuration that holds.
func (g *Gateway) Settings() (map[string]any, string) {
	now := g.now.Load()
	return now.cfg.Form(true), now.software.Config
}

// PendingSettings gives the API the change that waits.
func (g *Gateway) PendingSettings() *console.PendingSettings {
	w := g.waits.Load()
	shown := w.shown()
	if shown != nil && w.file != nil {
		shown.Differences = rewritten(config.Rewritten(g.now.Load().cfg, w.file))
	}
	return shown
}

// CompareSettings says what differs between two configurations that the journal holds.
func (g *Gateway) CompareSettings(before, after json.RawMessage) ([]console.SettingsDifference, error) {
	list, err := config.RewrittenKept(before, after)
	return rewritten(list), err
}

// LayoutInForce gives what describes a balance's lines.
func (g *Gateway) LayoutInForce(balance string) (doc map[string]any, text string, ok bool) {
	l := g.now.Load().cfg.Layout(balance)
	if l == nil {
		return nil, "", false
	}
	return config.LayoutForm(l.Text()), l.Text(), true
}

func rewritten(list []config.Written) []console.SettingsDifference {
	all := make([]console.SettingsDifference, 0, len(list))
	for _, w := range list {
		all = append(all, console.SettingsDifference{Path: w.Path, From: w.From, To: w.To, Secret: w.Secret})
	}
	return all
}

// fileNow is the configuration file as it is at this moment.
type fileNow struct {
	path string // as the configuration names it
	src  []byte
	cfg  *config.Config

	unwritten config.Unwritten // layouts that a change brings along
}

// readFile reads the file of the configuration that holds. It is read anew for each act, so that what somebody edits on the
// host meanwhile is seen.
func (g *Gateway) readFile() (*fileNow, error) {
	f := &fileNow{path: g.now.Load().cfg.File()}
	if f.path == "" {
		return nil, &console.SettingsConflict{Why: "This weighpost does not run by a file, so that nothing can be written there"}
	}
	var err error
	if f.src, err = config.ReadFile(f.path); err != nil {
		return nil, &console.SettingsConflict{Why: fmt.Sprintf("The configuration file cannot be read: %v", err)}
	}
	var faults strict.Faults
	if f.cfg, faults = config.Load(f.path, f.src); len(faults) > 0 {
		return nil, &console.SettingsConflict{Why: fmt.Sprintf("The configuration file was edited on the host and has mistakes now, the first of them: %v", faults[0])}
	}
	return f, nil
}

// ChangeSettings makes a change hold, or wait.
func (g *Gateway) ChangeSettings(ctx context.Context, c console.SettingsChange) (console.SettingsAnswer, error) {
	answer := console.SettingsAnswer{}
	if err := g.takeTurn(ctx); err != nil {
		return answer, err
	}
	defer g.giveTurn()
	held := g.now.Load().cfg
	if answer.Hash = held.Hash(); !slices.Contains(c.Seen, answer.Hash) {
		return answer, console.ErrSettingsMoved
	}
	file, err := g.readFile()
	if err != nil {
		return answer, err
	}
	if err := g.sameAsFile(held, file); err != nil {
		return answer, err
	}
	drawn, faults := drawUp(&c)
	answer.Read = drawn.read
	doc, err := changed(held, c)
	if err != nil {
		return answer, err
	}
	var next *config.Config
	if len(faults) == 0 {
		faults = outsideHost(file.path, held.Form(false), doc, drawn.unwritten)
	}
	if len(faults) == 0 { // before that no file that the document names is looked at
		next, faults = config.LoadFormWith(file.path, doc, drawn.unwritten)
	}
	if len(faults) == 0 {
		faults = movedSecrets(g.roster.Secrets, held, next)
	}
	if len(faults) > 0 && c.DryRun {
		answer.Outcome, answer.Mistakes = console.SettingsInvalid, mistakes(faults)
		return answer, nil
	}
	if len(faults) > 0 {
		return answer, faults
	}
	file.unwritten = drawn.unwritten
	return g.changeTo(ctx, c, held, file, next, doc, answer)
}

// changeTo carries out a change whose document is valid.
func (g *Gateway) changeTo(ctx context.Context, c console.SettingsChange, held *config.Config, file *fileNow, next *config.Config,
	doc map[string]any, answer console.SettingsAnswer) (console.SettingsAnswer, error) {
	answer.Sections = config.Differing(held, next)
	answer.Changes, answer.Differences = config.Sentences(held, next, answer.Sections), rewritten(config.Rewritten(held, next))
	if len(answer.Sections) == 0 {
		answer.Outcome = console.SettingsSame
		return answer, nil
	}
	who := rights.From(ctx)
	if err := mayChange(who, held, next, answer.Sections); err != nil {
		return answer, err
	}
	if err := g.setElsewhere(answer.Sections); err != nil {
		return answer, err
	}
	effective, w := sift(next, held)
	if w != nil && w.needs == settings.AdoptOne && who.Person != "" {
		effective, w = next, nil // whoever is entitled and known is the one person that it takes
	}
	if w != nil {
		w.goesOn(g.waits.Load(), c.By, c.Reason, g.stamp().UTC)
		answer.Pending, answer.Note = w.id, "It waits until somebody entitled has adopted it"+map[bool]string{true: ", who is another than whoever proposed it.", false: "."}[w.needs == settings.AdoptTwo]
	}
	text, err := config.EditWith(file.path, file.src, file.cfg.Form(false), doc, file.unwritten)
	if err != nil {
		return answer, &console.SettingsConflict{Why: err.Error()}
	}
	if c.DryRun {
		answer.Outcome = console.SettingsValid
		return answer, nil
	}
	entry, err := g.change(ctx, effective, w, order{by: &c.By, reason: c.Reason, asked: true, write: file.withLayouts(g.writing(settingsNote{By: c.By, Reason: c.Reason}, file.path, file.src, text))})
	if err != nil {
		return answer, unchanged(err)
	}
	answer.Outcome, answer.Hash = console.SettingsHold, entry.To
	if w != nil {
		answer.Outcome = console.SettingsWait
	}
	return answer, nil
}

// unchanged turns what a change was refused for into what the API says.
func unchanged(err error) error {
	var refused *Refused
	if errors.As(err, &refused) {
		return &console.SettingsConflict{Why: refused.Error()}
	}
	return err
}

// sameAsFile refuses a change while the file says something else than what holds: it would be overwritten, or taken along.
func (g *Gateway) sameAsFile(held *config.Config, file *fileNow) error {
	differing := config.Differing(held, file.cfg)
	if len(differing) == 0 {
		return nil
	}
	if w := g.waits.Load(); w != nil {
		return &console.SettingsConflict{Why: fmt.Sprintf("Change %s waits in the file for a person: it is adopted or turned down first", w.id)}
	}
	return &console.SettingsConflict{Why: fmt.Sprintf("The configuration file was edited on the host meanwhile (%s): it is reloaded there first",
		strings.Join(differing, ", "))}
}

// changed is the document after a change.
func changed(held *config.Config, c console.SettingsChange) (map[string]any, error) {
	doc := held.Form(false)
	if c.List == "" {
		next, ok := settings.MergePatch(doc, held.Unredact(c.Patch)).(map[string]any)
		if !ok {
			return nil, strict.Faults{{What: "is no object"}}
		}
		return next, nil
	}
	list, _ := doc[c.List].([]any)
	i := slices.IndexFunc(list, func(one any) bool { o, _ := one.(map[string]any); return o[config.IDKey(c.List)] == c.ID })
	switch {
	case c.Item == nil && i < 0:
		return nil, &console.SettingsConflict{Why: fmt.Sprintf("There is no %s of the %s %.63q", strings.TrimSuffix(c.List, "s"), config.IDKey(c.List), c.ID)}
	case c.Item == nil:
		list = slices.Delete(slices.Clone(list), i, i+1)
	case i < 0:
		list = append(slices.Clone(list), held.Unredact(c.Item))
	default:
		list = slices.Clone(list)
		list[i] = held.Unredact(c.Item)
	}
	if doc[c.List] = list; len(list) == 0 {
		delete(doc, c.List)
	}
	return doc, nil
}

// sectionRights are the rights that a part of the settings takes. What roles mean, and which groups give them, decides who may do
// what: whoever could change it without looking after people would have all rights.
func sectionRights(section string) []rights.Right {
	switch section {
	case "balances":
		return []rights.Right{rights.Balances}
	case "sinks":
		return []rights.Right{rights.Sinks}
	case "people":
		return []rights.Right{rights.Settings, rights.People}
	}
	return []rights.Right{rights.Settings}
}

// mayChange judges at the act whether somebody may change some parts.
func mayChange(who rights.Who, before, after *config.Config, sections []string) error {
	for _, section := range sections {
		for _, right := range sectionRights(section) {
			if err := who.May(right); err != nil {
				return err
			}
		}
	}
	differences, err := config.Diff(before.Redacted(), after.Redacted())
	if err != nil {
		return err
	}
	for _, d := range differences {
		if d.Part == "balance" && d.ID != "" {
			if err := who.MayAt(rights.Balances, d.ID); err != nil {
				return err
			}
		}
	}
	return nil
}

// DecideSettings adopts the change that waits, or turns it down.
func (g *Gateway) DecideSettings(ctx context.Context, d console.SettingsDecision) (console.SettingsAnswer, error) {
	answer := console.SettingsAnswer{}
	if err := g.takeTurn(ctx); err != nil {
		return answer, err
	}
	defer g.giveTurn()
	held, seen := g.now.Load().cfg, g.waits.Load()
	answer.Hash = held.Hash()
	if seen == nil {
		return answer, &console.SettingsConflict{Why: "No change waits"}
	}
	file, err := g.readFile()
	if err != nil {
		return answer, err
	}
	_, w := sift(file.cfg, held)
	if seen.id != d.Change || w == nil || w.id != seen.id {
		return answer, console.ErrSettingsMoved
	}
	w.goesOn(seen, record.Actor{}, "", seen.since)
	answer.Changes, answer.Sections = w.changes, w.sections
	who := rights.From(ctx)
	if err := errors.Join(who.May(rights.Adopt), mayChange(who, held, file.cfg, w.sections)); err != nil {
		return answer, err
	}
	if d.Adopt {
		if err := errors.Join(mayAdopt(who, w), g.setElsewhere(w.sections)); err != nil {
			return answer, err
		}
		return g.adopt(ctx, d, held, file, w, answer)
	}
	return g.turnDown(ctx, d, held, file, w, answer)
}

// mayAdopt says who may not adopt a change though they have the rights: whoever owns the host, a program, and where two people
// are needed everybody who has a part in proposing it.
func mayAdopt(who rights.Who, w *waiting) error {
	if who.Person == "" {
		return &console.SettingsForbidden{Why: "Policy says that a person adopts this, signed in under their own name: neither the host's token nor a program's key can. " +
			"Where nobody is left who may, add somebody from the host (weighpost help settings)"}
	}
	if w.needs == settings.AdoptTwo && slices.ContainsFunc(w.proposed, func(a record.Actor) bool { return a.ID == who.Person || a.ID == who.Actor.ID }) {
		return &console.SettingsForbidden{Why: "Policy says that two people are needed: whoever has proposed a change does not adopt it"}
	}
	return nil
}

func (g *Gateway) adopt(ctx context.Context, d console.SettingsDecision, held *config.Config, file *fileNow, w *waiting, answer console.SettingsAnswer) (console.SettingsAnswer, error) {
	next := file.cfg
	if !w.whole { // what else was edited since the last reload is not theirs
		var faults strict.Faults
		if next, faults = held.With(file.cfg, w.sections); len(faults) > 0 {
			return answer, &console.SettingsConflict{Why: "What else is in the file has to be reloaded first: " + mistakesLine(faults)}
		}
	}
	_, rest := sift(file.cfg, next)
	if rest != nil {
		rest.goesOn(w, record.Actor{By: record.ActorHost, Where: "reload"}, "", g.stamp().UTC)
	}
	entry, err := g.change(ctx, next, rest, order{by: &d.By, reason: d.Reason, asked: true, adopted: w.id, decided: w.id,
		front: []record.Body{w.decision(record.SettingsAdopted, d, g.stamp())}})
	if err != nil {
		return answer, unchanged(err)
	}
	answer.Outcome, answer.Hash = console.SettingsHold, entry.To
	return answer, nil
}

func (g *Gateway) turnDown(ctx context.Context, d console.SettingsDecision, held *config.Config, file *fileNow, w *waiting, answer console.SettingsAnswer) (console.SettingsAnswer, error) {
	w.turnedDown = true
	rest := w
	undo, note, err := g.putBackAll(d, held, file, w) // first, since what goes on waiting is recorded with the decision
	if answer.Note = note; err == nil {
		rest = nil
	}
	o := order{by: &d.By, reason: d.Reason, decided: w.id, front: []record.Body{w.decision(record.SettingsTurnedDown, d, g.stamp())}}
	if _, err := g.change(ctx, held, rest, o); err != nil {
		undo()
		return answer, unchanged(err)
	}
	g.forgetNote()
	answer.Outcome = console.SettingsDropped
	return answer, nil
}

func (w *waiting) decision(what string, d console.SettingsDecision, stamp record.Stamp) *record.SettingsDecided {
	return &record.SettingsDecided{Change: w.id, Decision: what, Sections: w.sections, Changes: w.changes, Proposed: w.proposed,
		Reason: d.Reason, By: &d.By, Stamp: stamp}
}

func mistakes(faults strict.Faults) (list []console.Mistake) {
	for _, f := range faults {
		list = append(list, console.Mistake{Path: f.Path, What: f.What, Allowed: f.Allowed})
	}
	return list
}

func mistakesLine(faults strict.Faults) string { return firstFaults(faults).Error() }
