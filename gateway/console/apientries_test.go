package console

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

const (
	aReview = `{"by": "ada", "findings": "Nothing unusual."}`
	// anEntry has what an encoder would write in another way.
	anEntry = `{"schema":"weighpost.unread/1","id":"north-lab/7qx3/@/000007","seq":7,"reason":"<b> & \u003c é","n":1.50}`
)

func (b *bench) EntryParameters() []ExportParameter {
	return []ExportParameter{{Name: "text", About: "Words."}, {Name: "sort", About: "The order.", Values: []string{"seq", "-seq"}}}
}

func (b *bench) ListEntries(_ context.Context, r url.Values) (EntryList, error) {
	switch r.Get("text") {
	case "refused":
		return EntryList{}, &record.RequestRefused{Why: "from is no time"}
	case "behind":
		return EntryList{}, errors.New("the index has not come far enough")
	}
	entry := anEntry
	if slices.Contains(r["kind"], string(record.KindWeighing)) {
		entry = aWeighing(7, 0)
	}
	return EntryList{Entries: []json.RawMessage{json.RawMessage(entry)}, Next: "abc", Indexed: 5, Head: 7, Filter: "all entries"}, nil
}

func (b *bench) EntryByID(_ context.Context, id string) (OneEntry, error) {
	if id != "north-lab/7qx3/@/000007" {
		return OneEntry{}, ErrNoEntry
	}
	return OneEntry{Entry: json.RawMessage(anEntry), Seq: 7, Head: 9, Covered: true, Checkpoint: "weighpost/north-lab/7qx3\n9\n"}, nil
}

func (b *bench) Reviews(context.Context) ([]json.RawMessage, error) { return nil, nil }

func (b *bench) Review(_ context.Context, r record.ReviewRequest, by record.Actor) (json.RawMessage, error) {
	if r.To > 40 {
		return nil, &record.RequestRefused{Why: "Entry 41 does not exist."}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.reviews = append(b.reviews, r)
	return json.Marshal(map[string]any{"seq": 8, "by": by})
}

// TestEntriesAreGivenAsTheyWereHashed: byte for byte, without a token, also to HEAD.
func TestEntriesAreGivenAsTheyWereHashed(t *testing.T) {
	h := open(t)
	for _, path := range []string{"/api/v1/entries?text=x&sort=-seq", "/api/v1/entry?id=north-lab/7qx3/@/000007"} {
		resp, body := ask(t, "GET", h.base+path, nil)
		if resp.StatusCode != 200 || !strings.Contains(body, anEntry) {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
	}
	for path, want := range map[string]int{"/api/v1/entries?text=refused": 422, "/api/v1/entries?text=behind": 503, "/api/v1/entry?id=x": 404, "/api/v1/entry": 422} {
		resp, body := ask(t, "GET", h.base+path, nil)
		if resp.StatusCode != want || want == 503 && resp.Header.Get("Retry-After") == "" {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
		checkProblem(t, resp, body)
	}
}

func TestAReviewIsNoted(t *testing.T) {
	h := open(t)
	resp, body := send(t, h, "POST", reviewsPath, `{"by": "ada", "findings": "Line one.\nLine two.", "to": 7}`, nil)
	if resp.StatusCode != 200 || !strings.Contains(body, `{"id":"ada","by":"token","where":"http 127.0.0.1"}`) || len(h.bench.reviews) != 1 || h.bench.reviews[0].To != 7 {
		t.Errorf("%d %s %+v", resp.StatusCode, body, h.bench.reviews)
	}
	for body, want := range map[string]int{
		`{"by": "ada", "findings": "x", "to": 41}`: 409, `{"by": "ada", "findings": "  "}`: 422, `{"findings": "x"}`: 422, `x`: 400,
		`{"by": "ada", "findings": "x\u0007"}`: 422, `{"by": "ada", "findings": "` + strings.Repeat("x", 4001) + `"}`: 422,
	} {
		resp, answer := send(t, h, "POST", reviewsPath, body, nil)
		if resp.StatusCode != want {
			t.Errorf("%.60s: %d %s", body, resp.StatusCode, answer)
		}
		checkProblem(t, resp, answer)
	}
}

// TestNoRouteAltersAnEntry walks the description: what is below the journal, its entries and its trail can be read, and
// added to by name, and nothing of it can be replaced, changed or deleted by anybody.
func TestNoRouteAltersAnEntry(t *testing.T) {
	h := open(t)
	adds := []string{reviewsPath, correctionsPath, keysPath, sealPath} // each appends an entry of its own
	// What is not an entry and can be changed, each time with an entry that says so; but for the air, which is in memory.
	changeable := []string{contextPath, samplePath, sessionPath, secretPath, everywherePath, othersPath, personPath, pinPath, badgesPath, sessionsPath, onePath, programPath,
		settingsPath, settingsPath + "/balances/{id}", settingsPath + "/sinks/{id}", settingsPath + "/checks/{id}", visitPath, weightPath, weightFilePath, labRequestPath,
		airAtPath}
	seen := 0
	for path, item := range h.doc().Paths {
		if item.Put != nil || item.Patch != nil || item.Delete != nil {
			if !slices.Contains(changeable, path) {
				t.Errorf("%s can be replaced, changed or deleted", path)
			}
		}
		if !slices.ContainsFunc([]string{"entr", "journal", "trail", "export", "checkpoint"}, func(s string) bool { return strings.Contains(path, s) }) {
			continue
		}
		seen++
		if item.Post != nil && !slices.Contains(adds, path) {
			t.Errorf("%s takes a POST: if it appends an entry and alters none, name it here", path)
		}
		if right := ""; item.Get != nil {
			if right = fmt.Sprint(item.Get.Extensions["x-right"]); right != "read-journal" && right != "export" {
				t.Errorf("%s can be read with the right %s", path, right)
			}
		}
	}
	if seen < 5 {
		t.Errorf("only %d routes are about entries: the walk is wrong", seen)
	}
	for _, path := range []string{entriesPath, entryPath + "?id=north-lab/7qx3/@/000007"} {
		for _, method := range []string{"PUT", "PATCH", "POST", "DELETE"} {
			resp, _ := send(t, h, method, path, map[bool]string{true: `{}`}[method != "DELETE"], nil)
			if resp.StatusCode != http.StatusMethodNotAllowed {
				t.Errorf("%s %s: %d", method, path, resp.StatusCode)
			}
		}
	}
}
