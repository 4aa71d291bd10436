package journal

import (
	"bytes"
	"encoding/json"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// draft is what one commit is going to write. Dropping it undoes it.
type draft struct {
	base     *state
	site     string
	edge     edge
	numbers  map[string]uint64 // those that change
	parked   []parkOrder
	settled  []settleOrder
	unparked []unparkOrder
	sealed   []Segment
	drops    []dropOrder
	notes    []noteOrder
	key      *signKey // put in force, from entry keyFrom on
	keyFrom  uint64
	rows     []row
	buffer   bytes.Buffer
}

type row struct {
	entry  record.Entry
	hashes []byte
}

type parkOrder struct {
	cursor      string
	seq, notice uint64
}

func newDraft(base *state, site string) *draft {
	return &draft{base: base, site: site, edge: base.edge, numbers: map[string]uint64{}}
}

func (d *draft) lastNumber(balance string) uint64 {
	if n, changed := d.numbers[balance]; changed {
		return n
	}
	return d.base.numbers[balance]
}

// add gives the bodies of one Append their identities and encodes them, all of them or none.
func (d *draft) add(bodies []record.Body) ([]record.Entry, error) {
	trial, from := d.edge, len(d.rows)
	undo := map[string]uint64{}
	for i, body := range bodies {
		if f, is := body.(record.Follower); is && i > 0 {
			f.Follow(*bodies[i-1].Identity())
		}
		balance := body.Subject()
		if _, seen := undo[balance]; !seen {
			undo[balance] = d.lastNumber(balance)
		}
		if err := d.addOne(body); err != nil {
			for balance, n := range undo {
				d.numbers[balance] = n
			}
			d.edge, d.rows = trial, d.rows[:from]
			for _, body := range bodies {
				*body.Identity() = record.Head{}
			}
			return nil, err
		}
	}
	entries := make([]record.Entry, 0, len(bodies))
	for _, r := range d.rows[from:] {
		entries = append(entries, r.entry)
	}
	return entries, nil
}

func (d *draft) addOne(body record.Body) error {
	kind, balance, seq := body.Kind(), body.Subject(), d.edge.size+1
	head := record.Head{Schema: kind.Schema(), Seq: seq, Site: d.site}
	if kind.Numbered() {
		if err := record.CheckName(balance); err != nil {
			return fmt.Errorf("a %s cannot be recorded: the id of its balance %w", kind, err)
		}
		n := d.lastNumber(balance) + 1
		head.ID = record.EntryID(d.site, d.base.incarnation, balance, n)
		d.numbers[balance] = n
	} else {
		head.ID = record.EntryID(d.site, d.base.incarnation, "", seq)
	}
	*body.Identity() = head
	raw, err := d.encode(body)
	if err != nil {
		return fmt.Errorf("a %s cannot be recorded: %w", kind, err)
	}
	if !kind.Numbered() { // a journal with an entry that cannot be read could not be read beyond it
		if _, err := record.ParseEntry(raw); err != nil {
			return fmt.Errorf("a %s cannot be recorded, since it could not be read again: %w", kind, err)
		}
	}
	hashes, err := d.edge.add(tlog.RecordHash(raw))
	if err != nil {
		return err
	}
	d.rows = append(d.rows, row{
		entry:  record.Entry{Seq: seq, Kind: kind, ID: head.ID, Balance: balance, JSON: raw},
		hashes: joinHashes(make([]byte, 0, len(hashes)*tlog.HashSize), hashes),
	})
	return nil
}

// encode gives the exact bytes of an entry, the only time that they are made.
func (d *draft) encode(body record.Body) ([]byte, error) {
	d.buffer.Reset()
	enc := json.NewEncoder(&d.buffer)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(body); err != nil {
		return nil, err
	}
	return bytes.Clone(bytes.TrimSuffix(d.buffer.Bytes(), []byte("\n"))), nil
}
