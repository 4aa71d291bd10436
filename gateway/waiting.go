package gateway

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
	"weighpost/gateway/settings"
)

// waiting is what a file says and does not hold, until somebody entitled has adopted it.
type waiting struct {
	id       string
	file     *config.Config // what the file says as a whole
	sections []string       // that wait
	whole    bool           // nothing of the file was taken: its parts do not fit the rest of what holds
	needs    string         // one or two people
	changes  []string

	proposed   []record.Actor
	reason     string
	turnedDown bool
	since      record.UTC
}

// sift divides what a file says into what holds from now on and what waits, by the policy that is in force. Where what is left
// of the file does not fit the parts that stay as they were (a port that moves from one part to another), all of it waits: a
// configuration that nobody wrote is not put together.
func sift(file, held *config.Config) (*config.Config, *waiting) {
	policy := held.Settings
	differing := config.Differing(held, file)
	waits := slices.DeleteFunc(slices.Clone(differing), func(key string) bool { return !policy.Covers(key) })
	if len(waits) == 0 {
		return file, nil
	}
	rest := slices.DeleteFunc(differing, policy.Covers)
	w := &waiting{file: file, sections: waits, needs: policy.Adopt}
	effective, faults := held.With(file, rest)
	if len(faults) > 0 {
		effective, w.whole, w.sections = held, true, append(waits, rest...)
	}
	w.id = config.ChangeID(held, file, w.sections)
	w.changes = config.Sentences(held, file, w.sections)
	return effective, w
}

// goesOn takes over from what waited before who has proposed it. Whoever has a part in a change stays named while it waits,
// however it grows: nobody adopts their own change by having it proposed again.
func (w *waiting) goesOn(before *waiting, by record.Actor, reason string, now record.UTC) {
	switch {
	case before == nil:
		w.proposed, w.reason, w.since = []record.Actor{by}, reason, now
	case before.id == w.id:
		w.proposed, w.reason, w.since, w.turnedDown = before.proposed, before.reason, before.since, before.turnedDown
	default:
		w.proposed, w.reason, w.since = slices.Clone(before.proposed), reason, now
		if !slices.Contains(w.proposed, by) {
			w.proposed = append(w.proposed, by)
		}
	}
}

// kept is what an entry carries on of it.
func (w *waiting) kept() *record.SettingsWaiting {
	if w == nil {
		return nil
	}
	return &record.SettingsWaiting{Change: w.id, Proposed: w.proposed, Reason: w.reason, TurnedDown: w.turnedDown, Since: w.since}
}

// entries are what has to be said of it: that it waits, or that what waited before does no longer. decided is the id of a change
// of which an entry tells already what became of it.
func (w *waiting) entries(before *waiting, held *config.Config, decided string, by *record.Actor, stamp record.Stamp) []record.Body {
	was := ""
	if before != nil && before.id != decided {
		was = before.id
	}
	if w == nil {
		if was == "" {
			return nil
		}
		return []record.Body{&record.SettingsDecided{Change: was, Decision: record.SettingsWithdrawn, Sections: before.sections,
			Changes: before.changes, Proposed: before.proposed, Reason: "the file no longer says so", By: by, Stamp: stamp}}
	}
	if w.id == was || w.id == decided {
		return nil
	}
	entry := &record.SettingsPending{Change: w.id, Replaces: was, Sections: w.sections, Changes: w.changes, Needs: w.needs,
		From: held.Hash(), To: w.file.Hash(), Config: w.file.Redacted(), Layouts: w.file.LayoutTexts(),
		Proposed: w.proposed, Reason: w.reason, By: by, Stamp: stamp}
	for hash := range held.LayoutTexts() {
		delete(entry.Layouts, hash)
	}
	return []record.Body{entry}
}

// remember is what the latest configuration of a journal says of a change that waited.
func remember(r roster.Roster) *waiting {
	if r.Waiting == nil {
		return nil
	}
	return &waiting{id: r.Waiting.Change, proposed: r.Waiting.Proposed, reason: r.Waiting.Reason, turnedDown: r.Waiting.TurnedDown,
		since: r.Waiting.Since, sections: []string{}, changes: []string{}}
}

// holdAdopted takes the configuration that was adopted last in the place of the file, where a policy says so. It comes from the
// journal, so that a restart runs on as before whatever became of the file. Where the journal does not tell it any more, and the
// file was edited in what waits for a person, nothing is guessed: the start is refused.
func (g *Gateway) holdAdopted(ctx context.Context) error {
	known, err := roster.Load(ctx, g.journal)
	if err != nil {
		return err
	}
	g.roster = known
	now := *g.now.Load()
	g.sifted.before = remember(known)
	effective, w, err := adopted(known, now.cfg)
	if err != nil || w == nil {
		return err
	}
	now.cfg, now.software = effective, softwareOf(effective)
	g.now.Store(&now)
	g.sifted.now = w
	g.log.Warn("an edit of the configuration waits for a person", "file", now.cfg.File(), "changes", strings.Join(w.changes, "; "))
	return nil
}

// adopted gives what holds by what a journal says was adopted last and by a file, and what of the file waits.
func adopted(known roster.Roster, file *config.Config) (*config.Config, *waiting, error) {
	if known.Config == nil { // a new journal: whoever installs it adopts what it begins with
		return file, nil, nil
	}
	kept := config.Kept{Hash: known.Hash, Redacted: known.Config, Layouts: known.Layouts, BalanceLayouts: known.BalanceLayouts}
	policy, err := kept.Policy()
	if err == nil && !policy.InForce() || kept.Hash == file.Hash() && maps.Equal(kept.BalanceLayouts, file.BalanceLayouts()) {
		return file, nil, nil
	}
	held, err := config.Restore(file.File(), kept, file)
	if err != nil && untouched(kept, file, policy) {
		return file, nil, nil
	}
	if err != nil {
		return nil, nil, fmt.Errorf("the file %s differs from the configuration that was adopted last, which waits for a person, and that one cannot be taken "+
			"from the journal: %w. Put the file back as it was (weighpost journal list --kind configured shows what it said)", file.File(), err)
	}
	effective, w := sift(file, held.As(file))
	return effective, w, nil
}

// SettingsAside gives, for a journal that no daemon has open, what would hold by a file in the form of a file, its hash, and the
// change that would wait, or nil.
func SettingsAside(ctx context.Context, file *config.Config, log roster.Log) (doc map[string]any, hash string, pending *console.PendingSettings, err error) {
	known, err := roster.Load(ctx, log)
	if err != nil {
		return nil, "", nil, err
	}
	effective, w, err := adopted(known, file)
	if err != nil {
		return nil, "", nil, err
	}
	if before := remember(known); w != nil && before != nil {
		w.goesOn(before, record.Actor{By: record.ActorHost}, "", before.since)
	}
	return effective.Form(true), effective.Hash(), w.shown(), nil
}

// shown is the change as the API shows it; nil where there is none.
func (w *waiting) shown() *console.PendingSettings {
	if w == nil {
		return nil
	}
	return &console.PendingSettings{Change: w.id, Sections: append([]string{}, w.sections...), Changes: append([]string{}, w.changes...), Needs: w.needs,
		Proposed: append([]record.Actor{}, w.proposed...), Reason: w.reason, TurnedDown: w.turnedDown, Whole: w.whole, Since: w.since}
}

// untouched says of a configuration that cannot be made anew whether a file differs from it in nothing that waits for a person.
func untouched(kept config.Kept, file *config.Config, policy settings.Config) bool {
	differences, err := config.Diff(kept.Redacted, file.Redacted())
	if err != nil || policy.Covers("balances") && !maps.Equal(kept.BalanceLayouts, file.BalanceLayouts()) {
		return false
	}
	return !slices.ContainsFunc(differences, func(d config.Difference) bool { return policy.Covers(d.Section()) })
}

// siftedStart is what a start has found out and has still to say.
type siftedStart struct{ before, now *waiting }

// showWaiting says whether a change waits.
func (g *Gateway) showWaiting(w *waiting) {
	g.waits.Store(w)
	if w == nil {
		g.board.Clear(health.SettingsPending, "configuration")
		return
	}
	said := strings.Join(w.changes[:min(len(w.changes), 3)], "; ")
	if more := len(w.changes) - 3; more > 0 {
		said += fmt.Sprintf("; and %d more", more)
	}
	c := health.Condition{
		Code: health.SettingsPending, Subject: "configuration", Severity: health.Warning,
		Sentence: fmt.Sprintf("A change of settings waits for a person, and weighpost runs as before: %s.", said),
		Remedy: fmt.Sprintf("Somebody who may adopt it looks at it (weighpost configuration pending), and adopts it or turns it down with a reason. It is change %s.",
			w.id),
	}
	if w.turnedDown {
		c.Sentence = fmt.Sprintf("The configuration file says what was turned down, and does not hold: %s.", said)
		c.Remedy = "Put the file back as it was, and reload."
	}
	if w.whole {
		c.Remedy += " Nothing else of the file was taken either, since its parts do not fit the rest of what holds."
	}
	g.board.Raise(c)
}
