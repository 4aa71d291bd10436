package bundle

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/sinks/format"
)

// Order says what to bundle, and of which journal.
type Order struct {
	Dir      string // folder of the journal, closed or being written
	Segments string // another folder in which sealed segments are looked for; "": none
	Of       Of
	Find     Finder // how entries are found; nil: by reading all of the journal
	Version  string // of this weighpost
	// Progress may be nil. It is told how many of the entries are written.
	Progress func(done, total uint64)
}

// Unsigned says that no checkpoint covers all of the entries yet.
type Unsigned struct{ Last uint64 }

func (u *Unsigned) Error() string {
	return fmt.Sprintf("no checkpoint covers entry %d yet: while weighpost runs it signs one within a minute, and it signs one when it ends; try again then", u.Last)
}

// Open finds what is to be bundled, and the checkpoint that covers it. Close the plan once it is written. The error is a sentence; *Unsigned: try again later.
func Open(ctx context.Context, o Order) (*Plan, error) {
	if err := o.Of.fault(); err != nil {
		return nil, err
	}
	about, err := journal.AboutDir(ctx, o.Dir)
	if err != nil {
		return nil, err
	}
	find := o.Find
	if find == nil {
		find = looker(o.Dir, o.Segments, about.Head)
	}
	p := &Plan{order: o, About: About{Schema: Schema, Origin: about.Origin, Incarnation: about.Incarnation, Site: siteOf(about.Origin, about.Incarnation), Version: o.Version}}
	if err := p.choose(ctx, find, &about); err != nil {
		return nil, err
	}
	if p.proofs, err = journal.OpenProofs(o.Dir, o.Segments); err != nil {
		return nil, err
	}
	if err := p.signed(ctx); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return p, nil
}

// Plan is a bundle that is about to be written.
type Plan struct {
	About
	order   Order
	chosen  []span
	proofs  *journal.Proofs
	note    []byte // the checkpoint
	key     string
	vouched [][]byte

	content             // what the pass over the entries found
	beside  []tlog.Hash // in the order of the walk
}

// siteOf takes the site out of the name of a tree, weighpost/SITE/INCARNATION.
func siteOf(origin, incarnation string) string {
	return strings.TrimSuffix(strings.TrimPrefix(origin, "weighpost/"), "/"+incarnation)
}

// choose finds which entries are wanted.
func (p *Plan) choose(ctx context.Context, find Finder, about *journal.About) error {
	o := &p.order.Of
	switch {
	case o.Run != "":
		own, all, err := gather(ctx, find, o.Run)
		if err != nil {
			return err
		}
		p.Of, p.Run, p.Own, p.chosen = OfRun, o.Run, uint64(own), all
	case o.All:
		c, err := proof.Peek(about.Checkpoint)
		if err != nil || c.Size == 0 {
			return &Unsigned{max(about.Head, 1)}
		}
		p.Of, p.chosen = OfAll, []span{{1, c.Size}}
	default:
		s, err := spanOf(ctx, find, o, about.Head)
		if err != nil {
			return err
		}
		p.Of, p.From, p.To, p.chosen = OfSpan, instant(o.From), instant(o.To), []span{s}
	}
	for _, s := range p.chosen {
		p.Entries += s.last - s.first + 1
	}
	p.First, p.Last = p.chosen[0].first, p.chosen[len(p.chosen)-1].last
	return nil
}

// signed takes the oldest checkpoint that covers the entries, and the key that signed it.
func (p *Plan) signed(ctx context.Context) (err error) {
	if p.note, err = p.proofs.Covering(p.Last); err != nil {
		return err
	}
	if p.note == nil {
		return &Unsigned{p.Last}
	}
	c, err := proof.Peek(p.note)
	if err == nil {
		p.Size = c.Size
		p.key, p.vouched, err = p.proofs.Keys(ctx, c.Size)
	}
	if err != nil {
		return p.disagrees(err)
	}
	key, err := proof.ParseKey(p.key)
	if err == nil {
		p.Key = proof.KeyID(key)
		_, err = proof.Open(p.note, key)
	}
	if err != nil {
		return p.disagrees(err)
	}
	if len(p.vouched) > mostVouched {
		return fmt.Errorf("the key of this journal was changed %d times: a bundle has room for %d", len(p.vouched), mostVouched)
	}
	return nil
}

// mostVouched is how many changes of the key a bundle has room for.
const mostVouched = 1000

func (p *Plan) disagrees(err error) error {
	return fmt.Errorf("the journal in %s does not agree with itself: %w. Run: weighpost journal verify", p.order.Dir, err)
}

// Close lets go of the journal.
func (p *Plan) Close() error { return p.proofs.Close() }

// Write writes the bundle. After an error what was written is not whole: it has no sums.
func (p *Plan) Write(ctx context.Context, w io.Writer) error {
	pack := &packer{zip: zip.NewWriter(w)}
	kept := &keptFiles{dir: filepath.Join(p.order.Dir, journal.KeptFolder)}
	if err := p.look(ctx, kept); err != nil {
		return err
	}
	about, err := p.About.Encode()
	if err != nil {
		return err
	}
	all := []error{pack.bytes(readmePart, readme(&p.About)), pack.bytes(aboutPart, about)}
	all = append(all, pack.part(entriesPart, func(w io.Writer) error { return p.entries(ctx, w) }))
	if err := errors.Join(all...); err != nil {
		return err
	}
	if err := p.evidence(pack); err != nil {
		return err
	}
	for _, name := range p.schemas() {
		b, err := schema(name)
		if err == nil {
			err = pack.bytes(schemasFolder+name, b)
		}
		if err != nil {
			return err
		}
	}
	if err := kept.write(ctx, pack); err != nil {
		return err
	}
	err = pack.part(reportPart, func(w io.Writer) error { return report(w, &p.About, &p.content, p.reader(ctx).next) })
	if err != nil {
		return err
	}
	return pack.close()
}

// look reads the entries for the first time: what bundle.json and the head of the report say of them.
func (p *Plan) look(ctx context.Context, kept *keptFiles) error {
	read := p.reader(ctx)
	for {
		e, err := read.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = p.content.take(&p.About, e)
		}
		if err == nil {
			err = kept.take(e)
		}
		if err != nil {
			return err
		}
	}
	p.NotHeld = kept.find()
	return nil
}

// entries writes the exact bytes of each, and holds them against the tree and its checkpoint.
func (p *Plan) entries(ctx context.Context, w io.Writer) error {
	read, done, line := p.reader(ctx), uint64(0), []byte(nil)
	walk := &walk{next: p.First - 1}
	walk.leaf = func() (h tlog.Hash, next uint64, err error) {
		e, err := read.next()
		if err != nil {
			return h, 0, err
		}
		if !format.OneLine(e) {
			return h, 0, p.disagrees(fmt.Errorf("entry %d holds a line end, which weighpost never writes", e.Seq))
		}
		line = format.AppendLine(line[:0], e)
		if done++; p.order.Progress != nil && (done%1000 == 0 || done == p.Entries) {
			p.order.Progress(done, p.Entries)
		}
		_, err = w.Write(line)
		return tlog.RecordHash(e.JSON), read.upcoming() - 1, err
	}
	walk.beside = func(lo, hi uint64) (tlog.Hash, error) {
		h, err := p.proofs.Hash(lo, hi)
		p.beside = append(p.beside, h)
		return h, err
	}
	root, err := walk.hash(0, p.Size)
	if err != nil {
		return err
	}
	if c, err := proof.Peek(p.note); err != nil || c.Root != root {
		return p.disagrees(fmt.Errorf("its entries are not those of its checkpoint of %d entries (tree hash differs)", p.Size))
	}
	return nil
}

// evidence writes what shows that the entries are those of the journal.
func (p *Plan) evidence(pack *packer) error {
	err := pack.part(treePart, func(w io.Writer) error {
		for _, h := range p.beside {
			if _, err := fmt.Fprintf(w, "%s\n", h); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		err = pack.bytes(checkpointPart, p.note)
	}
	if err == nil && p.Of == OfAll {
		err = pack.part(checkpointsPart, func(w io.Writer) error {
			e := json.NewEncoder(w)
			e.SetEscapeHTML(false)
			return p.proofs.Checkpoints(p.Size, func(note []byte) error { return e.Encode(map[string]string{"note": string(note)}) })
		})
	}
	if err == nil {
		err = pack.bytes(keyPart, []byte(p.key+"\n"))
	}
	for i, note := range p.vouched {
		if err == nil {
			err = pack.bytes(fmt.Sprintf("%s%04d.note", keysFolder, i+1), note)
		}
	}
	return err
}
