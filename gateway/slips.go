package gateway

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/runs"
)

// Slips lists weighings that were typed in from their slips, newest first.
func (g *Gateway) Slips(q console.SlipsAsked) []console.SlipView {
	list := []console.SlipView{}
	for _, s := range g.runs.Slips(runs.SlipsAsked(q)) {
		list = append(list, slipView(s))
	}
	return list
}

// Slip gives one of them.
func (g *Gateway) Slip(entry string) (console.SlipView, bool) {
	s, known := g.runs.Slip(entry)
	if !known {
		return console.SlipView{}, false
	}
	return slipView(s), true
}

func slipView(s runs.KnownSlip) console.SlipView {
	return console.SlipView{LateEntered: s.Entered, State: s.State(), Decided: s.Decided, Note: runs.ClockNote(s.Entered), UsedIn: s.UsedIn}
}

// EnterSlip records a slip that somebody typed in. What cannot be taken as it is printed is refused.
func (g *Gateway) EnterSlip(ctx context.Context, s console.SlipEntered, by record.Actor) (console.SlipView, error) {
	cfg := g.now.Load().cfg
	i := slices.IndexFunc(cfg.Balances, func(b intake.Config) bool { return b.ID == s.Balance })
	if i < 0 {
		return console.SlipView{}, record.ErrNoBalance
	}
	l, err := runs.ReadSlip(runs.SlipTyped{Digits: s.Digits, Unit: s.Unit, Kind: s.Kind, Weighed: s.Weighed, Slip: s.Slip, Sample: s.Sample, Lot: s.Lot, Method: s.Method,
		Fields: s.Fields, Reason: s.Reason}, g.stamp().UTC.Time(), time.Local)
	if err != nil {
		return console.SlipView{}, err
	}
	l.Balance = cfg.Balances[i].Describe("")
	if l.Context.Person, err = g.whoWeighed(s.Person, by); err != nil {
		return console.SlipView{}, err
	}
	if l.Alike, err = g.weighingsLike(ctx, l); err != nil {
		return console.SlipView{}, fmt.Errorf("whether the journal has that weighing already cannot be found out now: %w", err)
	}
	keep := func() error { return nil }
	if s.Picture != "" {
		if l.Picture, keep, err = g.pictureOf(s.Picture); err != nil {
			return console.SlipView{}, err
		}
	}
	known, err := g.runs.EnterSlip(ctx, l, s.Sure, by, keep)
	if err != nil {
		return console.SlipView{}, err
	}
	return slipView(known), nil
}

// whoWeighed is the person of a slip: somebody with an account, or else whoever types it in.
func (g *Gateway) whoWeighed(id string, by record.Actor) (*record.Learnt, error) {
	if id == "" || id == by.ID {
		return &record.Learnt{ID: by.ID, By: record.ByTyped, Name: by.Name, Role: by.Role, How: by.By}, nil
	}
	if err := record.CheckContextID(id); err != nil {
		return nil, &record.NotDone{Why: fmt.Sprintf("weighed_by %v", err), Field: "weighed_by"}
	}
	if g.people == nil {
		return &record.Learnt{ID: id, By: record.ByTyped}, nil
	}
	p, err := g.people.Person(rights.Host(record.Actor{By: record.ActorSoftware}), id)
	if err != nil { // or nobody could hold whoever confirms it against whoever weighed
		return nil, &record.NotDone{Why: fmt.Sprintf("nobody has an account of the id %.63q: say by whose account it was weighed, or leave weighed_by out where you weighed it", id), Field: "weighed_by"}
	}
	return &record.Learnt{ID: id, By: record.ByTyped, Name: p.Name}, nil
}

// weighingsLike finds weighings in the journal that may be the one on a slip: of its balance, within two minutes, with the same digits.
func (g *Gateway) weighingsLike(ctx context.Context, l *record.LateEntered) (list []record.EntryRef, err error) {
	at := l.Weighed.Time()
	f := index.Filter{From: at.Add(-runs.AlikeWithin), To: at.Add(runs.AlikeWithin + time.Microsecond), Kinds: []record.Kind{record.KindWeighing}, Balance: l.Balance.ID}
	for p := (index.Page{Limit: 500}); ; {
		page, err := g.lister().List(ctx, f, p)
		if err != nil {
			return nil, err
		}
		for _, e := range page.Entries {
			var w struct{ Value record.Value }
			if json.Unmarshal(e.JSON, &w) == nil && runs.SameDigits(w.Value.Digits, l.Value.Digits) && len(list) < mostAlike {
				list = append(list, record.EntryRef{Seq: e.Seq, ID: e.ID})
			}
		}
		if page.Next == "" {
			return list, nil
		}
		p.Cursor = page.Next
	}
}

// mostAlike is how many weighings are named that a slip may be.
const mostAlike = 20

// DecideSlip records that a second person confirmed a slip or turned it down.
func (g *Gateway) DecideSlip(ctx context.Context, entry string, confirmed bool, reason string, by record.Actor) (console.SlipView, error) {
	s, err := g.runs.DecideSlip(ctx, entry, confirmed, reason, by)
	if err != nil {
		return console.SlipView{}, err
	}
	return slipView(s), nil
}

// Pictures of slips that were sent, and that no entry names yet, are held in memory: a picture that nobody types a slip in for leaves nothing behind.
const (
	mostHeld = 40 << 20 // bytes of all of them
	heldFor  = time.Hour
)

// heldPictures are those.
type heldPictures struct {
	mu   sync.Mutex
	list []heldPicture // oldest first
}

type heldPicture struct {
	file    record.KeptFile
	content []byte
	at      time.Time
}

// hold adds one, and forgets those that are old, and the oldest where they are too large together.
func (h *heldPictures) hold(p heldPicture) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.list = slices.DeleteFunc(h.list, func(o heldPicture) bool { return o.file.SHA256 == p.file.SHA256 || p.at.Sub(o.at) > heldFor })
	h.list = append(h.list, p)
	for {
		sum := 0
		for _, o := range h.list {
			sum += len(o.content)
		}
		if sum <= mostHeld {
			return
		}
		h.list = slices.Delete(h.list, 0, 1)
	}
}

func (h *heldPictures) of(sha string) (p heldPicture, there bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, o := range h.list {
		if o.file.SHA256 == sha {
			return o, true
		}
	}
	return p, false
}

// HoldPicture has the picture of a slip at hand for whoever types the slip in next.
func (g *Gateway) HoldPicture(name string, content []byte) (record.KeptFile, error) {
	sum := sha256.Sum256(content)
	f := record.KeptFile{Name: name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(content))}
	if len(content) == 0 || len(content) > record.MostKept {
		return f, fmt.Errorf("a picture of %d bytes is not kept: 1 to %d are", len(content), record.MostKept)
	}
	g.pictures.hold(heldPicture{f, slices.Clone(content), time.Now()})
	return f, nil
}

// pictureOf finds a picture that was sent, and says how it is kept before an entry names it. One picture may be of several slips.
func (g *Gateway) pictureOf(sha string) (f *record.KeptFile, keep func() error, err error) {
	if p, there := g.pictures.of(sha); there {
		return &p.file, func() error {
			_, err := g.KeepFile(p.file.Name, p.content)
			return err
		}, nil
	}
	for _, s := range g.runs.Slips(runs.SlipsAsked{}) {
		if f := s.Entered.Picture; f != nil && f.SHA256 == sha {
			return f, func() error { _, err := g.KeptFile(*f); return err }, nil
		}
	}
	return nil, nil, &record.NotDone{Why: "No picture of that SHA-256 was sent within the last hour: send the picture again.", Field: "picture"}
}
