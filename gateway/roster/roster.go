// Package roster knows to which balance each id of a journal belongs: the id's serial number, once it was known. An id is
// part of the identity of every weighing, so it is never given to a balance of another serial number, also where the first
// one is long gone.
//
// It keeps no file of its own. The list of all ids is carried on in each entry that says which configuration holds from now
// on, and a cursor stands just before the latest of these, so that a start reads a few entries and not the whole journal.
// What else that entry says, the configuration that held last, is given out too.
package roster

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"weighpost/gateway/record"
)

// Log is what is needed of the journal.
type Log interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	Cursor(name string) (uint64, error)
	SetCursor(name string, seq uint64) error
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Roster is what the journal says. The zero value is that of a new journal.
type Roster struct {
	serials map[string]string // by id; "" where it was never known
	// Hash and Config are the configuration that held last, "" and nil where there was none.
	Hash   string
	Config json.RawMessage
	// What it says beside: sources of layouts by their hash, which balance has which, and the change that waits.
	Layouts, BalanceLayouts map[string]string
	Waiting                 *record.SettingsWaiting
	// Secrets is where each secret went that was ever in use, as record.Configured has it.
	Secrets map[string][]string
	// Central is the signed file of settings that was taken last, or nil.
	Central *record.Central
}

// place is the cursor that stands before the latest accepted configuration. No sink can be called so.
const place = "@configured"

// Place is the name of the cursor after which a start needs the entries.
const Place = place

const chunk = 256 // entries read at once

// Load reads the roster from the journal. Where the cursor is of no help, as in a journal that never had one, the whole
// journal is read.
func Load(ctx context.Context, log Log) (Roster, error) {
	at, err := log.Cursor(place)
	if err != nil {
		return Roster{}, fmt.Errorf("the place of the latest configuration cannot be read: %w", err)
	}
	// Also a cursor that was never set is right: it stands before the first entry, and so before the only configuration.
	r, found, err := scan(ctx, log, at, true)
	if err == nil && !found && at > 0 {
		r, _, err = scan(ctx, log, 0, false)
	}
	return r, err
}

// scan reads the entries after a sequence, up to the first accepted configuration or all of them.
func scan(ctx context.Context, log Log, after uint64, first bool) (r Roster, found bool, err error) {
	r.serials = map[string]string{}
	for {
		entries, err := log.Read(ctx, after, chunk)
		if err != nil {
			return r, false, fmt.Errorf("what balances the journal knows cannot be read: %w", err)
		}
		if len(entries) == 0 {
			return r, found, nil
		}
		for _, e := range entries {
			after = e.Seq
			accepted, err := r.learn(e)
			if err != nil {
				return r, false, err
			}
			if found = found || accepted; accepted && first {
				return r, true, nil
			}
		}
	}
}

// IDs gives all ids that a journal has seen, with the serial number of each, "" where none was known. scan hands over the
// entries of the journal from the first on, as journal.Scan does.
func IDs(scan func(each func(record.Entry) error) error) (map[string]string, error) {
	r := Roster{serials: map[string]string{}}
	err := scan(func(e record.Entry) error {
		if e.Balance != "" {
			r.add([]record.Balance{{ID: e.Balance}})
		}
		_, err := r.learn(e)
		return err
	})
	return r.serials, err
}

// learn takes what one entry says, and whether it is an accepted configuration.
func (r *Roster) learn(e record.Entry) (accepted bool, err error) {
	switch e.Kind {
	case record.KindStart:
		var start record.Lifecycle
		if err := json.Unmarshal(e.JSON, &start); err != nil {
			return false, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
		}
		r.add(start.Balances)
	case record.KindConfigured:
		var c record.Configured
		if err := json.Unmarshal(e.JSON, &c); err != nil {
			return false, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
		}
		if c.Refused != "" {
			return false, nil
		}
		for _, k := range c.Known {
			r.serials[k.ID] = k.Serial
		}
		r.Hash, r.Config = c.To, c.Config
		r.Layouts, r.BalanceLayouts, r.Waiting, r.Secrets, r.Central = c.Layouts, c.BalanceLayouts, c.Waiting, c.SecretPlaces, c.Central
		return true, nil
	}
	return false, nil
}

func (r *Roster) add(balances []record.Balance) {
	for _, b := range balances {
		r.serials[b.ID] = cmp.Or(b.Serial, r.serials[b.ID])
	}
}

// Taken is an id that belongs to another balance than the one it is given to.
type Taken struct {
	ID            string
	Serial, Given string // the serial number that it belongs to, and the one that the configuration has
}

// String is the sentence, without its full stop.
func (t Taken) String() string {
	return fmt.Sprintf("the id %s belongs to the balance with the serial number %q in this journal, and the configuration gives it to %q",
		t.ID, t.Serial, t.Given)
}

// Remedy is what to do about it.
func (t Taken) Remedy() string {
	return fmt.Sprintf("Give the balance %q an id that was never used, and reload. An id stays with its balance for as long as the journal "+
		"lives, also when that balance is gone or its number was once mistyped.", t.Given)
}

// Taken lists the ids that the balances of a configuration may not have.
func (r Roster) Taken(balances []record.Balance) (list []Taken) {
	for _, b := range balances {
		if known := r.serials[b.ID]; known != "" && b.Serial != "" && known != b.Serial {
			list = append(list, Taken{ID: b.ID, Serial: known, Given: b.Serial})
		}
	}
	return list
}

// Serial is the serial number that an id belongs to, "" where none was known; false: the id was never used.
func (r Roster) Serial(id string) (serial string, used bool) {
	serial, used = r.serials[id]
	return serial, used
}

// With is the roster once a configuration holds. A serial number that was known once stays known.
func (r Roster) With(balances []record.Balance, hash string, config json.RawMessage) Roster {
	next := Roster{serials: maps.Clone(r.serials), Hash: hash, Config: config, Secrets: r.Secrets, Central: r.Central}
	if next.serials == nil {
		next.serials = map[string]string{}
	}
	next.add(balances)
	return next
}

// Record makes durable that the configuration of a roster holds from now on, after the entries in front: all or nothing. The
// body is filled in as far as the roster knows it. Errors are those of the journal.
func (r Roster) Record(ctx context.Context, log Log, c *record.Configured, front ...record.Body) error {
	c.To, c.Config, c.Known, c.SecretPlaces, c.Central = r.Hash, r.Config, nil, r.Secrets, r.Central
	for _, id := range slices.Sorted(maps.Keys(r.serials)) {
		c.Known = append(c.Known, record.KnownBalance{ID: id, Serial: r.serials[id]})
	}
	before, err := log.Cursor(place)
	if err != nil {
		return err
	}
	// The cursor goes into the same commit. It is set to the entry before, since it cannot be ahead of the journal.
	if err := log.SetCursor(place, log.Head()); err != nil {
		return err
	}
	_, err = log.Append(ctx, append(front, c)...)
	if err != nil && ctx.Err() == nil {
		_ = log.SetCursor(place, before) // nothing was recorded; where that is not sure, a later start looks from here
	}
	return err
}
