package archive

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/index"
	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// row is one entry as it is written.
type row struct {
	site, incarnation                         string
	id, kind                                  string
	seq                                       int64
	at                                        time.Time // zero where the entry has no stamp
	balance, clock                            *string
	digits, value, unit, valueKind, stability *string
	person, sample, method, run, lot          *string
	passed                                    *bool
	late                                      bool
	leaf, entry                               []byte
	subject                                   string // where it came from, and at which place of the stream
	place                                     int64
}

// number is what PostgreSQL takes for a numeric and a balance prints; longer ones are no weights.
var number = regexp.MustCompile(`^[+-]?([0-9]{1,100}(\.[0-9]{0,100})?|\.[0-9]{1,100})$`)

// rowOf takes an entry apart. An error says why it is none that belongs to this site.
func rowOf(raw []byte, site string) (row, error) {
	e, err := record.ParseEntry(raw)
	if err != nil {
		return row{}, err
	}
	r := row{id: e.ID, kind: text(string(e.Kind)), seq: int64(e.Seq), balance: textOrNull(e.Balance), entry: raw}
	if e.Seq > 1<<62 {
		return r, fmt.Errorf("the entry %.80q has the sequence %d, which no journal reaches", e.ID, e.Seq)
	}
	if r.site, r.incarnation, err = identity(e); err != nil {
		return r, err
	}
	if r.site != site {
		return r, fmt.Errorf("the entry %.80q was published as one of the site %.80q", e.ID, site)
	}
	hash := tlog.RecordHash(raw)
	r.leaf = hash[:]
	facts := index.FactsOf(e)
	r.at = facts.Time
	r.person, r.sample, r.method = first(facts.Persons), first(facts.Samples), first(facts.Methods)
	r.run, r.lot = first(facts.Runs), first(facts.Lots)
	if format.HasCSV(e.Kind) {
		return r, r.weighing(raw)
	}
	return r, nil
}

// identity splits an id, and holds it against the place of the entry as the journal does.
func identity(e record.Entry) (site, incarnation string, err error) {
	part := strings.Split(e.ID, "/")
	if len(part) != 4 || record.CheckName(part[0]) != nil || record.CheckName(part[1]) != nil {
		return "", "", fmt.Errorf("the id %.80q has not the form site/incarnation/balance/number", e.ID)
	}
	if part[2] != "@" && record.CheckName(part[2]) != nil {
		return "", "", fmt.Errorf("the id %.80q names no balance", e.ID)
	}
	n, err := strconv.ParseUint(part[3], 10, 62)
	if err != nil || e.ID != record.EntryID(part[0], part[1], part[2], n) {
		return "", "", fmt.Errorf("the id %.80q does not end in a number", e.ID)
	}
	if e.Kind.Numbered() && part[2] != e.Balance || part[2] == "@" && n != e.Seq {
		return "", "", fmt.Errorf("the id %.80q does not belong to entry %d of balance %.80q", e.ID, e.Seq, e.Balance)
	}
	return part[0], part[1], nil
}

func (r *row) weighing(raw []byte) error {
	var w record.Weighing
	if err := json.Unmarshal(raw, &w); err != nil {
		return fmt.Errorf("the weighing %.80q cannot be read: %w", r.id, err)
	}
	r.clock = textOrNull(string(w.Stamp.Clock))
	r.digits, r.unit = textOrNull(w.Value.Digits), textOrNull(w.Value.Unit)
	if number.MatchString(w.Value.Digits) {
		r.value = &w.Value.Digits
	}
	r.valueKind, r.stability = textOrNull(w.Value.Kind), textOrNull(w.Value.Stability)
	for _, v := range w.Verdicts {
		if v.NotJudged {
			continue
		}
		passed := v.Pass && (r.passed == nil || *r.passed)
		r.passed = &passed
	}
	return nil
}

func first(list []string) *string {
	if len(list) == 0 {
		return nil
	}
	return textOrNull(list[0])
}

// text is a text that PostgreSQL can hold: the character NUL, which it cannot, becomes U+FFFD. The column entry has it as it was.
func text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\x00", "\ufffd")
}

func textOrNull(s string) *string {
	if s == "" {
		return nil
	}
	s = text(s)
	return &s
}

// originPrefix begins the origin of every journal's checkpoints.
const originPrefix = "weighpost/"

// originOf names the checkpoints of one life of a journal.
func originOf(site, incarnation string) string { return originPrefix + site + "/" + incarnation }

// splitOrigin is the inverse of originOf.
func splitOrigin(origin string) (site, incarnation string, err error) {
	rest, found := strings.CutPrefix(origin, originPrefix)
	site, incarnation, both := strings.Cut(rest, "/")
	if !found || !both || record.CheckName(site) != nil || record.CheckName(incarnation) != nil {
		return "", "", errors.New("the origin is not weighpost/SITE/INCARNATION")
	}
	return site, incarnation, nil
}

// digestOf names a message by its content.
func digestOf(subject string, content []byte) []byte {
	h := sha256.New()
	h.Write([]byte(subject))
	h.Write([]byte{0})
	h.Write(content)
	return h.Sum(nil)
}
