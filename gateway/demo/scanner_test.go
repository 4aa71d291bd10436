package demo

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
)

// shelf is a page that shows what was scanned, after it has missed some scans.
type shelf struct {
	now    ties
	misses int
	scans  []string
}

func (s *shelf) held() ties                         { return s.now }
func (s *shelf) awaitRecorded(context.Context, int) {}

func (s *shelf) Write(p []byte) (int, error) {
	code := string(p)
	s.scans = append(s.scans, strings.TrimSuffix(code, "\r"))
	if s.misses--; s.misses >= 0 {
		return len(p), nil
	}
	switch {
	case strings.HasPrefix(code, "P-"):
		s.now.person = tie{strings.TrimSuffix(code, "\r"), "scanned"}
	case strings.HasPrefix(code, "LOT-"):
		s.now.sample = tie{strings.TrimSuffix(code, "\r"), "scanned"}
	default:
		s.now = ties{}
	}
	return len(p), nil
}

// TestATechnicianAtWork: who weighs and what is what was scanned, and nothing where nothing was.
func TestATechnicianAtWork(t *testing.T) {
	s := &shelf{}
	tech := &technician{scanner: s, page: s}
	var got []string
	for n := range 8 {
		meant, err := tech.tie(t.Context(), n)
		if err != nil || meant != s.now {
			t.Errorf("weighing %d: meant %+v, scanned %+v, %v", n, meant, s.now, err)
		}
		got = append(got, meant.person.ID+" "+meant.sample.ID)
		s.now.sample = tie{} // a weighing uses it up
	}
	want := []string{"P-07 LOT-2001", "P-07 LOT-2002", "P-07 LOT-2003", "P-07 ", "P-07 LOT-2005", "P-07 LOT-2006", " ", "P-12 LOT-2008"}
	if !slices.Equal(got, want) {
		t.Errorf("%q\nwant %q", got, want)
	}
}

// TestATechnicianScansAgain: a scan that the page does not show is repeated, and one that never comes ends the demo.
func TestATechnicianScansAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &shelf{misses: 2}
		tech := &technician{scanner: s, page: s}
		if _, err := tech.tie(t.Context(), 0); err != nil || !slices.Equal(s.scans, []string{"P-07", "P-07", "P-07", "LOT-2001"}) {
			t.Errorf("two scans missed: %v, %q", err, s.scans)
		}
		s.misses = 3
		if _, err := tech.tie(t.Context(), 1); err == nil || !strings.Contains(err.Error(), "LOT-2002 was scanned three times") {
			t.Errorf("three scans missed: %v", err)
		}
	})
}
