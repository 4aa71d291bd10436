package console

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// Scan, and what is known of samples, of the fake: LOT-1003 is known.
func (b *bench) Scan(ctx context.Context, balance string, r record.ScanRequest) (record.ContextView, error) {
	return b.SetContext(ctx, balance, record.ContextRequest{Sample: &record.ContextItem{ID: r.Raw}, By: record.ByScanned, Raw: []byte(r.Symbology + r.Raw),
		Actor: r.Actor, Where: r.Where, Confirm: r.Confirm, At: r.At})
}

func (b *bench) Announce(_ context.Context, list []record.Sample, _ string, by record.Actor) (record.SamplesTaken, error) {
	if b.answer != nil {
		return record.SamplesTaken{}, b.answer
	}
	if by.By == "" {
		return record.SamplesTaken{}, errors.New("nobody says who sends it")
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.samples++
	return record.SamplesTaken{New: len(list)}, nil
}

func known() record.KnownSample {
	return record.KnownSample{Sample: record.Sample{ID: "LOT-1003"}, Since: record.UTC(time.Now()), By: record.Actor{ID: "lims", By: record.ActorToken}, Entry: "north-lab/7qx3/@/000007"}
}

func (b *bench) End(_ context.Context, id, _ string, _ record.Actor) (record.KnownSample, error) {
	if !slices.Contains([]string{"LOT-1003", "LOT/7+#", ".."}, id) {
		return record.KnownSample{}, record.ErrNoSample
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.samples++
	return known(), nil
}

func (b *bench) Sample(id string) (record.KnownSample, bool, bool) {
	return known(), id == "LOT-1003", true
}

func (b *bench) List(string, string, int) ([]record.KnownSample, bool, bool) {
	return []record.KnownSample{known()}, false, true
}

// TestASampleIsNamedInAPath: whatever its id holds.
func TestASampleIsNamedInAPath(t *testing.T) {
	h := open(t)
	for path, status := range map[string]int{"LOT-1003": 200, "LOT%2F7%2B%23": 200, "LOT/7+": 404, "LOT-9": 404, "%2e%2e": 0, "LOT-1003?reason=done": 200, "LOT-1003?reason=%1b[2J": 422} {
		resp, answer := send(t, h, http.MethodDelete, strings.Replace(samplePath, "{sample}", path, 1), "", nil)
		if status != 0 && resp.StatusCode != status || resp.StatusCode >= 500 {
			t.Errorf("%s: %d %s", path, resp.StatusCode, answer)
		}
	}
}

// TestWhatIsAskedIsAnsweredWithWhatToDo: a sample that the policy asks about is 409, with the sentence of the intake.
func TestWhatIsAskedIsAnsweredWithWhatToDo(t *testing.T) {
	h := open(t)
	h.bench.answer = &record.ContextRefused{Why: "The sample was not taken yet: it was not announced. Confirm within 30 s that it is meant.", Noted: true, Ask: true}
	resp, answer := send(t, h, http.MethodPost, "/api/v1/balances/b-12/scan", `{"raw": "LOT-9"}`, nil)
	if resp.StatusCode != http.StatusConflict || !strings.Contains(answer, "Confirm within 30 s") || !strings.Contains(answer, "confirm") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	h.bench.answer = &record.SampleRefused{Why: "Too many."}
	if resp, answer := send(t, h, http.MethodPost, samplesPath, `{"id": "x"}`, nil); resp.StatusCode != http.StatusConflict || !strings.Contains(answer, "Too many.") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	h.bench.answer = errors.New("the journal stands still")
	if resp, answer := send(t, h, http.MethodPost, samplesPath, `{"id": "x"}`, nil); resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
}
