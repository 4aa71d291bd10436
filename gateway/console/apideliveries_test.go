package console

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// shelf holds what is parked for the one sink of the lab.
type shelf struct {
	seqs []uint64
	fail error // what every act says
	acts []string
}

func newShelf() *shelf { return &shelf{seqs: []uint64{3, 5, 8}} }

func (s *shelf) Parked(_ context.Context, sink string, after uint64, limit int) (list []ParkedEntry, err error) {
	if sink != "share" {
		return nil, ErrNoSink
	}
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	for _, seq := range s.seqs {
		if seq > after && len(list) < limit {
			list = append(list, ParkedEntry{Seq: seq, ID: fmt.Sprintf("north-lab/7qx3/b-12/%06d", seq), Kind: record.KindWeighing, Balance: "b-12", UTC: at,
				What: "12.3450 g of LOT-1003", Since: at, Why: "<script>alert(1)</script>", Notice: seq + 1})
		}
	}
	return list, nil
}

func (s *shelf) act(what string, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error) {
	if sink != "share" {
		return DeliveryDone{}, ErrNoSink
	}
	if s.fail != nil {
		return DeliveryDone{Sink: sink}, s.fail
	}
	s.acts = append(s.acts, fmt.Sprint(what, " ", entries, " ", reason, " by ", who.ID))
	return DeliveryDone{Sink: sink, Entries: len(entries), Left: 3, Acts: []string{"north-lab/7qx3/@/000009"}}, nil
}

func (s *shelf) Retry(_ context.Context, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error) {
	return s.act("retry", who, sink, entries, reason)
}

func (s *shelf) Drop(_ context.Context, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error) {
	return s.act("drop", who, sink, entries, reason)
}

func (s *shelf) TryNow(_ context.Context, who record.Actor, sink, reason string) (DeliveryDone, error) {
	return s.act("try", who, sink, nil, reason)
}

func (s *shelf) Pause(_ context.Context, who record.Actor, sink, reason string) (DeliveryDone, error) {
	return s.act("pause", who, sink, nil, reason)
}

func (s *shelf) Continue(_ context.Context, who record.Actor, sink, reason string) (DeliveryDone, error) {
	return s.act("continue", who, sink, nil, reason)
}

func (s *shelf) Held(_ context.Context, sink string, before uint64, limit int) (list HeldList, err error) {
	if sink != "share" {
		return list, ErrNoSink
	}
	list.Held = []HeldEntry{}
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	for _, seq := range []uint64{8, 5, 3} {
		if before > 0 && seq >= before {
			continue
		}
		if len(list.Held) == limit {
			list.Next = list.Held[limit-1].Seq
			break
		}
		list.Held = append(list.Held, HeldEntry{Seq: seq, ID: fmt.Sprintf("north-lab/7qx3/b-12/%06d", seq), Kind: record.KindWeighing, Balance: "b-12", UTC: at, What: "12.3450 g"})
	}
	return list, s.fail
}

func (s *shelf) Release(_ context.Context, who record.Actor, entries []uint64, ids []string, reason string) (ReleaseDone, error) {
	done, err := s.act(fmt.Sprint("release ", ids), who, "share", entries, reason)
	if err != nil {
		return ReleaseDone{}, err
	}
	return ReleaseDone{Entries: len(entries) + len(ids), Sinks: []string{"share"}, Act: done.Acts[0]}, nil
}

func (s *shelf) Routing(string) (Routing, error) { return Routing{Entries: []string{"all"}}, nil }

func (s *shelf) Gone(context.Context) ([]GoneSink, error) {
	return []GoneSink{{"old-broker", 3}}, s.fail
}

func (s *shelf) Waiting(context.Context, string) (uint64, bool, error) { return 3, true, nil }

func TestWhatIsHeldBackIsListedAPartAtATime(t *testing.T) {
	h := open(t)
	for query, want := range map[string]string{"?limit=2": `"next":5`, "?limit=2&before=5": `"seq":3`, "": `"seq":3`} {
		resp, body := send(t, h, "GET", "/api/v1/deliveries/share/held"+query, "", nil)
		if resp.StatusCode != 200 || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s", query, resp.StatusCode, body)
		}
	}
	for path, want := range map[string]int{"other/held": 404, "share/held?limit=0": 422, "share/held?limit=501": 422} {
		if resp, body := send(t, h, "GET", "/api/v1/deliveries/"+path, "", nil); resp.StatusCode != want {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
	}
	if _, body := send(t, h, "GET", "/api/v1/deliveries", "", nil); !strings.Contains(body, `"gone":[{"id":"old-broker","parked":3}]`) {
		t.Errorf("a sink that is not configured any more is not listed: %s", body)
	}
}

func TestWhoPausesOrReleasesSaysWhy(t *testing.T) {
	h := open(t)
	for _, c := range []struct {
		path, body string
		status     int
		want       string
	}{
		{"share/pause", `{"reason": "the share moves", "by": "ada"}`, 200, "pause [] the share moves by ada"},
		{"share/pause", `{"by": "ada"}`, 422, ""},
		{"share/pause", `{"reason": " ", "by": "ada"}`, 422, ""},
		{"share/pause", `{"reason": "the share moves"}`, 422, ""},
		{"other/pause", `{"reason": "the share moves", "by": "ada"}`, 404, ""},
		{"share/continue", `{"by": "ada"}`, 200, "continue []  by ada"},
		{"release", `{"entries": [5, 3, 5], "reason": "looked over", "by": "ada"}`, 200, "release [] [3 5] looked over by ada"},
		{"release", `{"ids": ["b", "a"], "reason": "looked over", "by": "ada"}`, 200, "release [a b] [] looked over by ada"},
		{"release", `{"entries": [5], "by": "ada"}`, 422, ""},
		{"release", `{"reason": "looked over", "by": "ada"}`, 422, ""},
		{"release", `{"entries": [], "reason": "looked over", "by": "ada"}`, 422, ""},
	} {
		h.shelf.acts = nil
		resp, body := send(t, h, "POST", "/api/v1/deliveries/"+c.path, c.body, nil)
		if resp.StatusCode != c.status || strings.Join(h.shelf.acts, ";") != c.want {
			t.Errorf("%s %s: %d %s, %q", c.path, c.body, resp.StatusCode, body, h.shelf.acts)
		}
	}
	h.shelf.fail = &record.RequestRefused{Why: "it is so already"}
	for _, path := range []string{"share/pause", "share/continue", "release"} {
		body := `{"reason": "x", "by": "ada"}`
		if path == "release" {
			body = `{"entries": [3], "reason": "x", "by": "ada"}`
		}
		if resp, body := send(t, h, "POST", "/api/v1/deliveries/"+path, body, nil); resp.StatusCode != 409 || !strings.Contains(body, "so already") {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
	}
}

func (s *shelf) Preview(_ context.Context, sink, id string) (DeliveryPreview, error) {
	switch {
	case sink != "share":
		return DeliveryPreview{}, ErrNoSink
	case id == "none":
		return DeliveryPreview{}, ErrNoEntry
	case s.fail != nil:
		return DeliveryPreview{}, s.fail
	}
	return DeliveryPreview{Sink: sink, Kind: "files", Entry: id, Seq: 3, To: "b-12/000184.json", Attributes: []PreviewPair{{"Weighpost-Seq", "3"}},
		Type: "application/json", Size: 2, SHA256: "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a", Body: []byte("{}"), Text: "{}"}, nil
}

func TestWhatWouldBeSentIsShown(t *testing.T) {
	h := open(t)
	for _, c := range []struct {
		path string
		fail error
		want int
		says string
	}{
		{"share/preview?id=north-lab/7qx3/b-12/000184", nil, 200, `"body":"e30="`},
		{"share/preview?id=none", nil, 404, "no such entry"},
		{"other/preview?id=3", nil, 404, "share"},
		{"share/preview", nil, 422, "id"},
		{"share/preview?id=3", &record.RequestRefused{Why: "sink share cannot show it"}, 409, "cannot show it"},
		{"share/preview?id=3", errors.New("the disk is slow"), 503, "disk is slow"},
	} {
		h.shelf.fail = c.fail
		if resp, body := send(t, h, "GET", "/api/v1/deliveries/"+c.path, "", nil); resp.StatusCode != c.want || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d %s", c.path, resp.StatusCode, body)
		}
	}
	for body, want := range map[string]bool{"": true, "{\"a\":\"µ\"}\r\n\t": true, "\x00": false, "\xff": false, "\u202e": false, "\ufffd": false} {
		if text, ok := BodyText([]byte(body)); ok != want || ok && text != body {
			t.Errorf("%q: %q, %v", body, text, ok)
		}
	}
}

func TestParkedEntriesAreListedAPageAtATime(t *testing.T) {
	h := open(t)
	resp, body := send(t, h, "GET", "/api/v1/deliveries/share/parked?limit=2", "", nil)
	if resp.StatusCode != 200 || !strings.Contains(body, `"next":5`) || strings.Contains(body, `"seq":8`) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	resp, body = send(t, h, "GET", "/api/v1/deliveries/share/parked?limit=2&after=5", "", nil)
	if resp.StatusCode != 200 || strings.Contains(body, "next") || !strings.Contains(body, `"seq":8`) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	for _, bad := range []string{"?limit=0", "?limit=1001", "?after=-1", "?after=x"} {
		if resp, body := send(t, h, "GET", "/api/v1/deliveries/share/parked"+bad, "", nil); resp.StatusCode != 422 {
			t.Errorf("%s: %d %s", bad, resp.StatusCode, body)
		}
	}
}

func TestADecisionIsPassedOnAsItWasMeant(t *testing.T) {
	h := open(t)
	for _, c := range []struct{ path, body, want string }{
		{"retry", `{"entries": [5, 3, 5], "by": "ada"}`, "retry [3 5]  by ada"},
		{"retry", `{"all": true, "reason": " the lot is known now ", "by": "ada"}`, "retry [] the lot is known now by ada"},
		{"drop", `{"entries": [8], "reason": "a test print", "by": "ada"}`, "drop [8] a test print by ada"},
		{"try-now", `{"by": "ada"}`, "try []  by ada"},
	} {
		h.shelf.acts = nil
		resp, body := send(t, h, "POST", "/api/v1/deliveries/share/"+c.path, c.body, nil)
		if resp.StatusCode != 200 || len(h.shelf.acts) != 1 || h.shelf.acts[0] != c.want {
			t.Errorf("%s %s: %d %s, %q", c.path, c.body, resp.StatusCode, body, h.shelf.acts)
		}
	}
	h.shelf.acts = nil
	for _, c := range []struct{ path, body string }{
		{"drop", `{"entries": [8], "by": "ada"}`}, {"drop", `{"entries": [8], "reason": "  ", "by": "ada"}`},
		{"retry", `{"by": "ada"}`}, {"retry", `{"all": true, "entries": [3], "by": "ada"}`}, {"retry", `{"all": false, "by": "ada"}`},
		{"retry", `{"entries": [3], "by": "ada", "reason": "` + strings.Repeat("x", 501) + `"}`}, {"retry", `{"entries": [3]}`},
		{"retry", `{"entries": [` + strings.TrimSuffix(strings.Repeat("1,", 1001), ",") + `], "by": "ada"}`},
		{"retry", `{"entries": [3], "by": "ada", "force": true}`}, {"try-now", `{}`},
	} {
		if resp, body := send(t, h, "POST", "/api/v1/deliveries/share/"+c.path, c.body, nil); resp.StatusCode != 422 || h.shelf.acts != nil {
			t.Errorf("%s %.80s: %d %s, %q", c.path, c.body, resp.StatusCode, body, h.shelf.acts)
		}
	}
	for want, err := range map[int]error{409: &record.RequestRefused{Why: "entry 3 is not parked"}, 503: errors.New("the disk is full")} {
		h.shelf.fail = err
		if resp, body := send(t, h, "POST", "/api/v1/deliveries/share/retry", `{"entries": [3], "by": "ada"}`, nil); resp.StatusCode != want || !strings.Contains(strings.ToLower(body), err.Error()) {
			t.Errorf("%v: %d %s", err, resp.StatusCode, body)
		}
	}
	if resp, body := send(t, h, "POST", "/api/v1/deliveries/other/retry", `{"entries": [3], "by": "ada"}`, nil); resp.StatusCode != http.StatusNotFound || !strings.Contains(body, "share") {
		t.Errorf("another sink: %d %s", resp.StatusCode, body)
	}
}
