package endure

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"weighpost/gateway/backup"
	"weighpost/gateway/export"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

func hashOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// witness is what was seen of a child's lives, from outside.
type witness struct {
	acks   map[string]bool   // "SEQ ID HASH", or "LOT" of the careless
	bySeq  map[string]string // sequence → "ID HASH"
	begun  map[string]bool   // in the present life: begun and not yet ended
	made   map[string]string // what each act made last
	done   map[string]int    // how often
	valid  map[string]bool   // exports that were validated, and removed
	failed []string
	odd    []string
}

func newWitness() *witness {
	return &witness{acks: map[string]bool{}, bySeq: map[string]string{}, begun: map[string]bool{}, made: map[string]string{}, done: map[string]int{}, valid: map[string]bool{}}
}

// hear takes one whole line.
func (w *witness) hear(line string) {
	what, rest, _ := strings.Cut(line, " ")
	switch what {
	case "ack":
		part := strings.Fields(rest)
		if len(part) != 4 {
			w.odd = append(w.odd, "a line that says: "+line)
			return
		}
		if part[1] == "0" {
			w.acks[part[0]] = true
			return
		}
		if before, again := w.bySeq[part[1]]; again && before != part[2]+" "+part[3] {
			w.odd = append(w.odd, fmt.Sprintf("sequence %s was given to %s and then to %s", part[1], before, part[2]))
		}
		w.bySeq[part[1]] = part[2] + " " + part[3]
	case "begin":
		w.begun[rest] = true
	case "done":
		act, made, _ := strings.Cut(rest, " ")
		delete(w.begun, act)
		w.made[act] = made
		w.done[act]++
	case "failed":
		act, _, _ := strings.Cut(rest, ":")
		delete(w.begun, act)
		w.failed = append(w.failed, rest)
	}
}

// judge looks at a site that nobody has open, and says what is wrong.
func (w *witness) judge(at string) (faults []string) {
	ctx := context.Background()
	bad := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	dir := filepath.Join(at, "journal")
	if r, err := journal.Verify(ctx, dir, "", nil); err != nil || !r.Verified {
		bad("the journal does not verify: %v\n%s", err, r.Text())
	}
	for _, line := range w.odd {
		bad("%s", line)
	}
	sealed := w.entries(ctx, dir, bad)
	judgeSegments(at, sealed, bad)
	w.judgeBackups(ctx, filepath.Join(at, "backups"), bad)
	w.judgeExports(ctx, dir, filepath.Join(at, "exports"), bad)
	return faults
}

// entries holds what was acknowledged against what can be read, and gives what the entries say of sealed segments.
func (w *witness) entries(ctx context.Context, dir string, bad func(string, ...any)) (sealed []record.Sealed) {
	missing, lots, ids, last := len(w.bySeq), map[string]bool{}, map[string]bool{}, map[string]uint64{}
	err := journal.Scan(ctx, dir, 0, func(e record.Entry) error {
		if ids[e.ID] {
			bad("the id %s is used twice", e.ID)
		}
		ids[e.ID] = true
		if cut := strings.LastIndexByte(e.ID, '/'); e.Balance != "" {
			n, err := strconv.ParseUint(e.ID[cut+1:], 10, 64)
			if of := e.ID[:cut]; err != nil || n != last[of]+1 {
				bad("%s follows number %d", e.ID, last[of])
			}
			last[e.ID[:cut]]++
		}
		if want, acked := w.bySeq[strconv.FormatUint(e.Seq, 10)]; acked {
			missing--
			if got := e.ID + " " + hashOf(e.JSON); got != want {
				bad("entry %d was acknowledged as %s, and is %s", e.Seq, want, got)
			}
		}
		var x struct {
			Context record.Context `json:"context"`
		}
		if json.Unmarshal(e.JSON, &x) == nil && x.Context.Sample != nil {
			lots[x.Context.Sample.ID] = true
		}
		if e.Kind == record.KindSealed {
			var s record.Sealed
			if err := json.Unmarshal(e.JSON, &s); err != nil {
				return err
			}
			sealed = append(sealed, s)
		}
		return nil
	})
	if err != nil {
		bad("%v", err)
	}
	if missing > 0 {
		bad("%d of %d acknowledged entries are missing", missing, len(w.bySeq))
	}
	for lot := range w.acks {
		if !lots[lot] && lot != "backup" {
			bad("%s was acknowledged and is not there", lot)
		}
	}
	return sealed
}

// judgeSegments: each segment that an entry tells of is whole here and where it was copied to. Other files are hidden, or have the
// bytes that the next sealing of the same entries writes.
func judgeSegments(at string, sealed []record.Sealed, bad func(string, ...any)) {
	for _, s := range sealed {
		for _, folder := range []string{filepath.Join(at, "journal", "segments"), filepath.Join(at, "archive")} {
			for name, sum := range map[string]string{s.File: s.SHA256, s.Description: s.DescriptionSHA256} {
				if b, err := os.ReadFile(filepath.Join(folder, name)); err != nil || hashOf(b) != sum {
					bad("entry says that %s was sealed, and in %s it is not as it says (%v)", name, filepath.Base(folder), err)
				}
			}
		}
	}
}

func list(folder string, bad func(string, ...any)) []fs.DirEntry {
	names, err := os.ReadDir(folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		bad("%v", err)
	}
	return names
}

// unfinished says whether a name tells that its file is not whole.
func unfinished(name string) bool {
	return strings.HasPrefix(name, ".") && strings.HasSuffix(name, ".part")
}

// judgeBackups: what has the name of a backup is one, and the last that was made is there, or as many newer ones as are kept.
func (w *witness) judgeBackups(ctx context.Context, folder string, bad func(string, ...any)) {
	last, there, newer := w.made["backup"], false, 0
	for _, n := range list(folder, bad) {
		if unfinished(n.Name()) {
			continue
		}
		if there = there || n.Name() == last; n.Name() > last {
			newer++ // names sort by time
		}
		if _, _, _, ok := backup.ParseName(n.Name()); !ok {
			bad("%s is left among the backups", n.Name())
			continue
		}
		b, err := backup.Open(filepath.Join(folder, n.Name()))
		if err == nil {
			err = errors.Join(b.Verify(ctx, "", nil), b.Close())
		}
		if err != nil {
			bad("the backup %s does not verify: %v", n.Name(), err)
		}
	}
	if last != "" && !there && newer < keptBackups {
		bad("the backup %s was made, and is not there", last)
	}
}

// judgeExports: an export with a manifest is whole, and the last that was made has one. One without is refused.
func (w *witness) judgeExports(ctx context.Context, dir, folder string, bad func(string, ...any)) {
	src, err := export.Open(ctx, dir)
	if err != nil {
		bad("the journal cannot be read for exports: %v", err)
		return
	}
	for _, n := range list(folder, bad) {
		name := filepath.Join(folder, n.Name())
		if unfinished(n.Name()) || strings.HasSuffix(name, export.ManifestSuffix) {
			continue
		}
		v, err := export.Validate(ctx, name+export.ManifestSuffix, "", export.Check{Journal: src, Version: "drill"})
		switch {
		case err == nil && !v.Valid:
			bad("the export %s is not valid: %q", n.Name(), v.Faults)
		case errors.Is(err, fs.ErrNotExist) && n.Name() != w.made["export"]:
		case err != nil:
			bad("the export %s cannot be validated: %v", n.Name(), err)
		default: // once is enough
			w.valid[n.Name()] = true
			if err := errors.Join(os.Remove(name), os.Remove(name+export.ManifestSuffix)); err != nil {
				bad("%v", err)
			}
		}
	}
	if last := w.made["export"]; last != "" && !w.valid[last] {
		if _, err := os.Stat(filepath.Join(folder, last)); err != nil {
			bad("the export %s was made: %v", last, err)
		}
	}
}
