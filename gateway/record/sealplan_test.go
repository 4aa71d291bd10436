package record

import (
	"strings"
	"testing"
	"time"
)

func TestParseSealRequest(t *testing.T) {
	r, err := ParseSealRequest([]byte(`{"by": "p-07", "before": "2025-01-01T01:00:00+01:00", "reason": "the disk is small", "dry_run": true}`))
	if err != nil || r.By != "p-07" || !r.Before.Equal(time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)) || r.Reason != "the disk is small" || !r.DryRun {
		t.Errorf("%+v, %v", r, err)
	}
	for body, want := range map[string]string{
		``: "", `[]`: "", `{"by": 7}`: "by is no text",
		`{"by": "x", "by": "y"}`: "twice", `{"by": "x", "bye": "y"}`: "unknown", `{"by": "x\u0000"}`: "cannot be seen",
		`{"by": "x", "reason": "\u202e"}`: "cannot be seen", `{"by": "x", "before": "2025-01-01"}`: "before is no instant",
		`{"by": "x", "before": "2025-01-01T00:00:00+24:00"}`: "before is no instant", `{"by": "x", "dry_run": 1}`: "true or false",
		`{"by": "` + strings.Repeat("x", 129) + `"}`: "at most 128",
	} {
		if _, err := ParseSealRequest([]byte(body)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", body, err, want)
		}
	}
}
