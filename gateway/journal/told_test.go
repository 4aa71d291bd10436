package journal

import (
	"context"
	"strings"
	"testing"
	"time"
)

func TestWhichSinkTookWhichCheckpointIsRemembered(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC)
	j := open(t, Options{Dir: dir, idleAfter: time.Millisecond})
	appendN(t, j, "b-12", 5)
	must(t, j.Acknowledged("lims", 3, at.Add(-time.Hour)))
	must(t, j.Acknowledged("lims", 5, at))
	must(t, j.Acknowledged("broker", 4, at))
	if err := j.Acknowledged("lims", 6, at); err == nil {
		t.Error("a checkpoint of more than there is was acknowledged")
	}
	stored(t, dir, "SELECT count(*) FROM meta WHERE name GLOB 'told/*'", 2) // with no append to go along with
	must(t, j.Close())
	j = open(t, Options{Dir: dir})
	if got := j.Acknowledgements(); len(got) != 2 || got[0] != (Acknowledgement{"broker", 4, at}) || got[1] != (Acknowledgement{"lims", 5, at}) {
		t.Errorf("%+v", got)
	}
	_, note, err := j.Checkpoint(context.Background())
	must(t, err)
	must(t, j.Close())
	r := verifyClean(t, dir)
	for _, want := range []string{
		"held elsewhere  not shown: give a checkpoint that is held elsewhere with --against",
		"by sink lims: checkpoint of 5 entries at 2026-11-25T10:04:05Z (a note of this journal: fetch it there",
	} {
		if !strings.Contains(r.Text(), want) {
			t.Errorf("want %q:\n%s", want, r.Text())
		}
	}
	if r := verifyAgainst(t, dir, Held{"a file", note}); !strings.Contains(r.Elsewhere, "this journal extends it") || len(r.Acknowledged) != 2 {
		t.Errorf("%s", r.Text())
	}
	edit(t, dir, `UPDATE meta SET value = '{"size":9,"at":"2026-11-25T10:04:05Z"}' WHERE name = 'told/lims'`)
	if r, err := Verify(context.Background(), dir, "", nil); err != nil || r.Verified || r.Faults[0].Kind != FaultState {
		t.Errorf("%v\n%s", err, r.Text())
	}
}
