package journal

import (
	"context"
	"fmt"

	"weighpost/gateway/record"
)

// damageMark is where journal.db keeps what was found wrong while it was in use, so that the next start looks there too.
const damageMark = "damaged"

// Halt records bodies, where that is still possible, and then stops recording for good: no try is made to resume it, and the
// next start verifies the whole journal before it opens it. The error is that of recording the bodies.
func (j *Journal) Halt(ctx context.Context, damage *Damaged, bodies ...record.Body) error {
	_, err := j.ask(ctx, &request{bodies: bodies, halt: damage})
	return err
}

// halt stops for good.
func (w *writer) halt(damage *Damaged) {
	if w.stopped == nil {
		if err := transact(w.store.db, func() error { return putMeta(w.store.db, damageMark, damage.What) }); err != nil {
			w.j.o.Log.Warn("the next start will not know of the damage to the journal", "dir", w.j.o.Dir, "error", err)
		}
	}
	w.halted = true
	w.stop(damage)
}

// reexamine verifies a journal that was found damaged while it was in use. Nobody else has it open.
func reexamine(ctx context.Context, d disk, dir, was string) error {
	v := &verifier{disk: d, dir: dir}
	if err := v.run(ctx, "", false); err != nil {
		return err
	}
	if faults := v.report.Faults; len(faults) > 0 {
		return &Damaged{dir, fmt.Sprintf("it was found damaged while it was in use (%s), and still is: %s", was, faults[0])}
	}
	return nil
}

// unmark forgets damage that is no longer there: somebody put the right file back.
func (w *writer) unmark() error {
	return transact(w.store.db, func() error {
		return w.store.db.Exec("DELETE FROM meta WHERE name = '" + damageMark + "'")
	})
}

// String is the fault in a sentence.
func (f Fault) String() string {
	what := f.What
	if f.Seq > 0 {
		what = fmt.Sprintf("entry %d: %s", f.Seq, f.What)
	}
	if f.Where != "" {
		what += " (" + f.Where + ")"
	}
	return what
}
