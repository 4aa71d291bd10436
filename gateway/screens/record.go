package screens

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strconv"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/tell"
	bytenames "weighpost/parsers/frame"
)

// recordPage is one weighing or result with everything that is known of it.
type recordPage struct {
	weighed
	Seq, Head  uint64
	Bytes      []byteRow
	Tied       []tied
	Proof      *console.Proof
	ProofWhy   string
	CanTake    bool
	HeldBy     []console.Acknowledged // sinks that hold a checkpoint that covers it
	Deliveries []delivery
	DeliverWhy string
	Before     *weighed
	After      *weighed
	Correction *occurrence
}

func (s *Screens) showRecord(w http.ResponseWriter, r *http.Request) {
	if s.noEntries(w, r) {
		return
	}
	ctx := r.Context()
	id := r.PathValue("site") + "/" + r.PathValue("incarnation") + "/" + r.PathValue("balance") + "/" + r.PathValue("number")
	one, err := s.deps.Entries.EntryByID(ctx, id)
	if err == nil && one.Seq == 0 {
		err = console.ErrNoEntry
	}
	var e record.Entry
	if err == nil {
		e, err = record.ParseEntry(one.Entry)
	}
	switch {
	case errors.Is(err, console.ErrNoEntry):
		s.sorry(w, r, http.StatusNotFound, "There is no such record", "The journal has no record "+id+". It may be of another weighpost, or its address was cut short.")
		return
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "The record cannot be read now", err.Error()+". Try again in a moment.")
		return
	case !e.Kind.Numbered():
		http.Redirect(w, r, entryPath(e), http.StatusSeeOther)
		return
	}
	var fixed record.Corrections
	err = s.corrections(ctx, &fixed)
	p := recordPage{weighed: readWeighed(e, &fixed), Seq: one.Seq, Head: one.Head, CanTake: rights.From(ctx).May(rights.Export) == nil && s.deps.Evidence != nil}
	p.Bytes, p.Tied = bytesOf(p.Frame), tiedTo(&p.Weighing)
	if err != nil {
		p.ProofWhy = "Whether its time was corrected later cannot be told now: " + err.Error() + "."
	}
	if p.Corrected != nil {
		p.Correction = s.happenedAt(r, p.Corrected.By)
	}
	s.prove(r, &p)
	s.neighbours(r, &p)
	s.show(w, r, page{Template: "record.html", Title: p.Title(), Place: "/weighed", Data: &p})
}

// Title names the record.
func (p *recordPage) Title() string {
	what := "Weighing"
	if p.Entry.Kind == record.KindResult {
		what = "Result"
	}
	return what + " " + p.Entry.ID
}

// prove adds what shows that the record is as it was, and what became of it.
func (s *Screens) prove(r *http.Request, p *recordPage) {
	for _, c := range s.deps.Source.Journal().Checkpoints {
		if c.Size >= p.Seq {
			p.HeldBy = append(p.HeldBy, c)
		}
	}
	if s.deps.Evidence == nil {
		p.ProofWhy, p.DeliverWhy = "Nothing is proved here.", "Nothing is known of deliveries here."
		return
	}
	proof, err := s.deps.Evidence.ProofOf(r.Context(), p.Seq, false)
	switch {
	case errors.Is(err, console.ErrNotCovered):
		p.ProofWhy = "No checkpoint covers this record yet. One is signed at least every minute while entries come."
	case err != nil:
		p.ProofWhy = "The proof cannot be made now: " + err.Error() + "."
	default:
		p.Proof = &proof
	}
	list, err := s.deps.Evidence.DeliveriesOf(r.Context(), p.Seq)
	if err != nil {
		p.DeliverWhy = "What became of it at the sinks cannot be told now: " + err.Error() + "."
	}
	for _, d := range list {
		p.Deliveries = append(p.Deliveries, delivery{d})
	}
}

// neighbours finds the records of the balance before and after this one.
func (s *Screens) neighbours(r *http.Request, p *recordPage) {
	f := url.Values{"kind": {"weighing,result"}, "balance": {p.Entry.Balance}}
	seq := strconv.FormatUint(p.Seq, 10)
	if e, ok := s.oneEntry(r.Context(), with(f, "before", seq, "sort", "-seq")); ok {
		x := readWeighed(e, new(record.Corrections))
		p.Before = &x
	}
	if e, ok := s.oneEntry(r.Context(), with(f, "after", seq, "sort", "seq")); ok {
		x := readWeighed(e, new(record.Corrections))
		p.After = &x
	}
}

// byteRow is up to 16 bytes of a frame.
type byteRow struct {
	Offset int
	Hex    []string
	Text   []byteText
}

// byteText is one byte as text: a character, or the name of one that cannot be seen.
type byteText struct {
	Shown string
	Named bool
}

const bytesInRow = 16

// bytesOf spells out a frame as it was received.
func bytesOf(raw []byte) (rows []byteRow) {
	for at := 0; at < len(raw); at += bytesInRow {
		one := byteRow{Offset: at}
		for _, c := range raw[at:min(at+bytesInRow, len(raw))] {
			one.Hex = append(one.Hex, fmt.Sprintf("%02x", c))
			name, control := bytenames.ControlName(c)
			switch {
			case control:
				one.Text = append(one.Text, byteText{name, true})
			case c == 0x7f:
				one.Text = append(one.Text, byteText{"DEL", true})
			case c > 0x7f:
				one.Text = append(one.Text, byteText{fmt.Sprintf("x%02X", c), true})
			case c == ' ':
				one.Text = append(one.Text, byteText{"\u00a0", false})
			default:
				one.Text = append(one.Text, byteText{string(rune(c)), false})
			}
		}
		rows = append(rows, one)
	}
	return rows
}

// tied is one thing that a record is tied to, with how it was learnt.
type tied struct {
	Name string
	*record.Learnt
	Search string // what else is tied to it; ""
	Page   string // of what it names; ""
}

// ourRun is how the id of a run of a procedure looks. Other systems may tie weighings to runs of their own.
var ourRun = regexp.MustCompile(`^r-[0-9a-z]{1,16}-[0-9]{6,}$`)

// tiedTo lists the items of a context, also those that are not known.
func tiedTo(w *record.Weighing) (all []tied) {
	for _, name := range []string{record.ItemSample, record.ItemPerson, record.ItemLot, record.ItemMethod, record.ItemRun} {
		t := tied{Name: name, Learnt: w.Context.Get(name)}
		if t.Learnt != nil {
			t.Search = "/weighed?" + url.Values{name: {t.ID}}.Encode()
			if name == record.ItemRun && ourRun.MatchString(t.ID) {
				t.Page = runPath(t.ID)
			}
		}
		all = append(all, t)
	}
	return all
}

// Known says whether it is known.
func (t tied) Known() bool { return t.Learnt != nil }

var learntWords = map[string]string{
	record.BySignedIn: "signed in", record.ByScanned: "scanned", record.BySent: "sent by a system", record.ByTyped: "typed",
	record.ByPrinted: "printed by the balance",
}

var identifiedWords = map[string]string{
	record.ActorHost: "on this computer", record.ActorToken: "by the host's token", record.ActorSchedule: "by the schedule",
	record.ActorSoftware: "by weighpost itself", record.ActorUnknown: "not identified", record.ActorPassword: "by password",
	record.ActorDirectory: "by the directory", record.ActorCached: "by the directory, as it judged last", record.ActorOpenID: "by the sign-in provider",
	record.ActorBadge: "by badge", record.ActorBadgePIN: "by badge and PIN", record.ActorAPIKey: "by a program's key", record.ActorFile: "by a file in the folder of requests", record.ActorBroker: "by a broker", record.ActorSigned: "by signed central settings",
}

// How says how it was learnt.
func (t tied) How() string {
	if words := learntWords[t.By]; words != "" {
		return words
	}
	return t.By
}

// Identified says how a person was identified.
func (t tied) Identified() string { return identified(t.Learnt.How) }

func identified(by string) string {
	if words := identifiedWords[by]; words != "" {
		return words
	}
	return by
}

var clockWords = map[string]string{
	record.ClockChecked:   "Checked: time servers agree with it.",
	record.ClockHoldover:  "On its own since the time servers were heard last: the bound grows until they are heard again.",
	record.ClockUnchecked: "Unchecked: nothing shows that this time is right.",
}

// ClockWords says what the state of the clock means.
func (p *recordPage) ClockWords() string { return clockWords[p.Stamp.Clock] }

// KindWords names what the balance said that the value is.
func (p *recordPage) KindWords() string {
	if p.Value.Kind == "unknown" {
		return "not said whether net or gross"
	}
	return p.Value.Kind
}

// RestWords says whether the balance was settled, as it printed.
func (p *recordPage) RestWords() string {
	switch p.Value.Stability {
	case "stable":
		return "settled"
	case "unstable":
		return "moving"
	}
	return "not said whether settled"
}

var triggerWords = map[string]string{"printed": "the balance printed it", "settled": "it settled", "asked": "it was asked for", "all": "everything is recorded"}

// TriggerWords says what had it recorded.
func (p *recordPage) TriggerWords() string {
	if words := triggerWords[p.Trigger]; words != "" {
		return words
	}
	return p.Trigger
}

// About names the kind of the entry.
func (p *recordPage) About() string { return tell.Kind(p.Entry.Kind) }

// delivery is what became of a record at a sink.
type delivery struct{ console.DeliveryOf }

// Flag is the shape and the word of that.
func (d delivery) Flag() flag {
	switch d.State {
	case console.DeliveryHad:
		return flag{"well", "good", "delivered"}
	case console.DeliveryWaits:
		return flag{"moving", "doubt", "not yet delivered"}
	case console.DeliverySetAside:
		return flag{"warning", "bad", "refused, parked"}
	case console.DeliveryDropped:
		return flag{"error", "bad", "refused, given up"}
	case console.DeliveryReleased:
		return flag{"well", "good", "delivered after it was refused"}
	case console.DeliveryHeld:
		return flag{"notice", "doubt", "held back until it is released"}
	case console.DeliveryNotWanted:
		return flag{"not-said", "said", "not wanted there"}
	case console.DeliveryBefore:
		return flag{"notice", "said", "before this destination began"}
	}
	return flag{"not-said", "said", d.State}
}

// Bound is how far the stamp may be wrong; "": that is not known.
func (x *weighed) Bound() string { return spanWords(x.Stamp.Bound) }

// Stalled is how long the frame may have waited before it was read; "".
func (x *weighed) Stalled() string { return spanWords(x.Stamp.Stalled) }

// CorrectedBound is how far the corrected time may be wrong.
func (x *weighed) CorrectedBound() string { return spanWords(&x.Corrected.Bound) }

// Exact is the JSON as it was recorded.
func (x *weighed) Exact() string { return string(x.Entry.JSON) }

// Exact is the JSON as it was recorded.
func (h *occurrence) Exact() string { return string(h.Entry.JSON) }

// spanWords writes a length of time in seconds, as it was recorded: 0.021 s.
func spanWords(s *record.Span) string {
	if s == nil {
		return ""
	}
	b, err := s.MarshalJSON()
	if err != nil {
		return ""
	}
	return string(b) + " s"
}
