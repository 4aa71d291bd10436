package journal

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// KeySpan is one key of a journal as Verify found it.
type KeySpan struct {
	Key   string `json:"key"`             // id: name+hash
	Text  string `json:"text"`            // the public key
	From  uint64 `json:"from"`            // checkpoints that cover this entry are signed by it; 0: the first key
	Cause string `json:"cause,omitempty"` // rotated, restored, cloned or lost; absent for the first
}

// keychain follows which key is in force. Where it begins is told by journal.db; that is believed only as far as the entries
// and the key that was given bear it out.
type keychain struct {
	given  note.Verifier
	beside string // text of key.pub beside the journal; "" where there is none
	chosen bool   // given was named by whoever verifies, and is not just the one beside the journal
	now    note.Verifier
	spans  []KeySpan
}

// begin takes the first key: the one that journal.db names, or the one that was given.
func (k *keychain) begin(rows map[uint64]string) {
	k.now = k.given
	text := k.givenText()
	if first, err := proof.ParseKey(rows[0]); err == nil {
		k.now, text = first, rows[0]
	}
	k.spans = []KeySpan{{Key: proof.KeyID(k.now), Text: text}}
}

func (k *keychain) givenText() string {
	if v, err := proof.ParseKey(k.beside); err == nil && proof.KeyID(v) == proof.KeyID(k.given) {
		return k.beside
	}
	return ""
}

// at gives the key that signs checkpoints of so many entries.
func (k *keychain) at(size uint64) (note.Verifier, error) {
	i := len(k.spans) - 1
	for i > 0 && k.spans[i].From > size {
		i--
	}
	if k.spans[i].Text == "" {
		return k.given, nil
	}
	return proof.ParseKey(k.spans[i].Text)
}

// rotated takes the entry that puts another key in force.
func (v *verifier) rotated(e record.Entry) {
	fault := func(format string, args ...any) {
		v.report.fault(e.Seq, FaultKey, "the entry that changes the key "+format, args...)
	}
	var r record.KeyRotated
	if err := json.Unmarshal(e.JSON, &r); err != nil {
		fault("cannot be read: %v", err)
		return
	}
	next, err := proof.ParseKey(r.NewKey)
	if err != nil || next.Name() != r.Origin {
		fault("names no key of %q", r.Origin)
		return
	}
	if old, err := proof.ParseKey(r.OldKey); err != nil || proof.KeyID(old) != proof.KeyID(v.keys.now) {
		fault("says that the key before was %s, and it was %s", keyTextID(r.OldKey), proof.KeyID(v.keys.now))
	}
	switch {
	case r.Cause == record.KeyLost:
		v.lostKey(e, &r, fault)
	default:
		text, err := proof.OpenVouch([]byte(r.Note), v.keys.now)
		if err != nil {
			fault("carries no word of the key before: %v", err)
		} else if text != r.NewKey {
			fault("puts %s in force, and the key before vouched for %s", proof.KeyID(next), keyTextID(text))
		}
	}
	v.keys.now = next
	v.keys.spans = append(v.keys.spans, KeySpan{Key: proof.KeyID(next), Text: r.NewKey, From: e.Seq, Cause: r.Cause})
}

// lostKey takes an entry by which people say that the key before is lost. A restore without the key goes on at once, and its
// second person may come later: until then the report says that nobody has confirmed it.
func (v *verifier) lostKey(e record.Entry, r *record.KeyRotated, fault func(format string, args ...any)) {
	const unvouched = "from entry %d on another key signs, and no key vouched for it: %s said that the one before was lost. "
	switch {
	case r.By.ID != "" && r.ConfirmedBy == nil && v.lives.begunAt(e.Seq-1):
		v.report.note(unvouched+"No second person has confirmed that with this entry: weighpost journal replace-key", e.Seq, r.By.ID)
	case r.ConfirmedBy == nil || r.ConfirmedBy.ID == "" || r.By.ID == "" || r.ConfirmedBy.ID == r.By.ID:
		fault("says that the key before was lost, and does not name two people who say so")
	default:
		v.report.note(unvouched+"Only they can confirm that", e.Seq, r.By.ID+" and "+r.ConfirmedBy.ID)
	}
}

// endKeys holds the keys that the entries tell of against those that journal.db, the files and the caller name.
func (v *verifier) endKeys() {
	r, k := &v.report, &v.keys
	r.Keys = k.spans
	last := k.spans[len(k.spans)-1]
	rows, err := keyRows(v.db, 1<<62)
	if err != nil {
		r.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return
	}
	for _, from := range slices.Sorted(maps.Keys(rows)) {
		if i := slices.IndexFunc(k.spans, func(s KeySpan) bool { return s.From == from }); i < 0 || k.spans[i].Text != rows[from] {
			r.fault(0, FaultKey, "journal.db names the key %s from entry %d on, and no entry says so", keyTextID(rows[from]), from)
		}
	}
	for _, s := range k.spans[1:] {
		if rows[s.From] == "" {
			r.fault(s.From, FaultKey, "the entry puts the key %s in force, and journal.db does not name it", s.Key)
		}
	}
	if id := proof.KeyID(k.given); !slices.ContainsFunc(k.spans, func(s KeySpan) bool { return s.Key == id }) {
		r.Signed = 0
		r.fault(0, FaultKey, "the key to verify with, %s, is none of this journal's, which are %s", id, spanIDs(k.spans))
	}
	v.keyFiles(last)
}

func spanIDs(spans []KeySpan) string {
	list := make([]string, len(spans))
	for i, s := range spans {
		list[i] = s.Key
	}
	return strings.Join(list, ", ")
}

// keyFiles holds the files key and key.pub against the key in force. While a change of the key was cut short, the new one
// waits as key.next. The secret key may well be closed to who verifies.
func (v *verifier) keyFiles(last KeySpan) {
	if what := keyRights(v.disk, v.dir); what != "" {
		v.report.note("%s", what)
	}
	if last.Text == "" {
		return // an older journal, verified by a key of its owner's: nothing else is known
	}
	if staged, err := v.disk.ReadFile(in(v.dir, nextKeyName)); err == nil {
		if next, err := parseSignKey(string(staged)); err == nil && next.public == last.Text {
			return
		}
	}
	if b := v.keys.beside; b != "" && b != last.Text && !v.newer(b) {
		v.report.fault(0, FaultKey, "the file %s holds the key %s, and the one in force is %s", pubName, keyTextID(b), last.Key)
	}
	if secret, err := v.disk.ReadFile(in(v.dir, keyName)); err == nil {
		if k, err := parseSignKey(string(secret)); err != nil {
			v.report.fault(0, FaultKey, "the file %s holds no key that signs", keyName)
		} else if k.public != last.Text && !v.newer(k.public) {
			v.report.fault(0, FaultKey, "the file %s holds the key %s, and the one in force is %s", keyName, k.id(), last.Key)
		}
	}
}

// newer says whether a key came into force after what was read, in a journal that is being written.
func (v *verifier) newer(text string) bool {
	if !v.report.Live {
		return false
	}
	db, err := openReader(v.disk, in(v.dir, dbName))
	if err != nil {
		return false
	}
	defer db.Close()
	rows, err := keyRows(db, 1<<62)
	if err != nil {
		return false
	}
	for from, key := range rows {
		if from > v.report.Entries && key == text {
			return true
		}
	}
	return false
}

// keysText tells the keys, where there was more than one.
func (r *Report) keysText(line func(name, format string, args ...any)) {
	if len(r.Keys) < 2 {
		return
	}
	for i, k := range r.Keys {
		name, from := "", fmt.Sprintf("from entry %d on: %s", k.From, k.Cause)
		if i == 0 {
			name, from = "keys", "the first"
		}
		line(name, "%s, %s", k.Key, from)
	}
}
