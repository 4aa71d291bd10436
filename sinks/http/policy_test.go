package http

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func TestStatusesMeanWhatTheConfigurationSays(t *testing.T) {
	for _, c := range []struct {
		status  int
		set     map[string]string
		wait    string
		want    string
		without string
	}{
		{409, map[string]string{"409": "accepted"}, "", "accepted", "refused"},
		{422, map[string]string{"422": "again"}, "60", "busy 1m0s", "refused"},
		{422, map[string]string{"422": "again"}, "", "again", "refused"},
		{404, map[string]string{"404": "refused"}, "", "refused", "stopped"},
		{400, map[string]string{"400": "stop"}, "", "stopped", "refused"},
		{503, map[string]string{"503": "stop"}, "60", "stopped", "busy 1m0s"},
		{202, map[string]string{"202": "again"}, "", "again", "accepted"},
		{303, map[string]string{"303": "accepted"}, "", "accepted", "stopped"},
		{401, map[string]string{"401": "again"}, "", "again", "stopped"},
		{400, map[string]string{"409": "accepted"}, "", "refused", "refused"}, // another status than the one that is set
	} {
		cfg := serve(t, func(w http.ResponseWriter, _ *http.Request) {
			if c.wait != "" {
				w.Header().Set("Retry-After", c.wait)
			}
			w.WriteHeader(c.status)
		})
		if _, err := openSink(t, cfg).Deliver(t.Context(), sinktest.Weighings(1, 1)); outcome(err) != c.without {
			t.Errorf("%d without a word: %s, want %s", c.status, outcome(err), c.without)
		}
		cfg.Statuses = c.set
		n, err := openSink(t, cfg).Deliver(t.Context(), sinktest.Weighings(1, 1))
		if outcome(err) != c.want || (n == 1) != (c.want == "accepted") {
			t.Errorf("%d with %v: %s (%v), want %s", c.status, c.set, outcome(err), err, c.want)
		}
		if err != nil && !strings.Contains(err.Error(), strconv.Itoa(c.status)) {
			t.Errorf("%q does not name the status", err)
		}
	}
}

// TestNothingIsLostByAStatus: what a server answers that has not got an entry cannot be set to mean that it has.
func TestNothingIsLostByAStatus(t *testing.T) {
	for status := 200; status < 600; status++ {
		c := *Default()
		c.URL, c.Statuses = "https://lab.example/w", map[string]string{strconv.Itoa(status): "accepted"}
		r := strict.NewReport("sink")
		c.Check(r)
		allowed := len(r.Faults()) == 0
		switch {
		case status < 300, status == 303, status == 304, status == 409, status == 412, status == 422:
			if !allowed {
				t.Errorf("%d cannot be set to accepted: %v", status, r.Faults())
			}
		case status >= 500, status < 400, about[status] != "", status == 408, status == 425, status == 429:
			if allowed {
				t.Errorf("%d can be set to accepted", status)
			}
		}
	}
}

func TestWhatTheServerCallsAnEntryIsKept(t *testing.T) {
	const bare = `{"result":[{"number":"LS-2026/0184"},{"number":12345678901234567890}],"a/b":{"~":7},"none":null,"long":"` // and on
	doc := bare + strings.Repeat("x", 300) + `","odd":"a\u202eb","yes":true}`
	for _, c := range []struct {
		id     AnswerID
		body   string
		header string
		want   string
	}{
		{AnswerID{Header: "Location"}, "", "/weighings/77", "/weighings/77"},
		{AnswerID{Header: "X-Number"}, "", "/weighings/77", ""},
		{AnswerID{Pointer: "/result/0/number"}, doc, "", "LS-2026/0184"},
		{AnswerID{Pointer: "/result/1/number"}, doc, "", "12345678901234567890"}, // through a float it would end in ...68
		{AnswerID{Pointer: "/a~1b/~0"}, doc, "", "7"},
		{AnswerID{Pointer: "/result/01/number"}, doc, "", ""},
		{AnswerID{Pointer: "/result/2/number"}, doc, "", ""},
		{AnswerID{Pointer: "/none"}, doc, "", ""},
		{AnswerID{Pointer: "/yes"}, doc, "", ""},
		{AnswerID{Pointer: "/result"}, doc, "", ""},
		{AnswerID{Pointer: "/long"}, doc, "", ""},
		{AnswerID{Pointer: "/odd"}, doc, "", ""},
		{AnswerID{Pointer: "/id"}, "no JSON", "", ""},
		{AnswerID{Pointer: "/id"}, strings.Repeat(" ", maxDrain) + `{"id":"1"}`, "", ""},
		{AnswerID{}, `{"id":"1"}`, "", ""},
	} {
		for _, body := range []string{Entry, Batch} {
			cfg := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				if c.header != "" {
					w.Header().Set("Location", c.header)
				}
				fmt.Fprint(w, c.body)
			})
			cfg.AnswerID, cfg.Body = c.id, body
			s := openSink(t, cfg)
			entries := sinktest.Weighings(3, 1)
			if n, err := s.Deliver(t.Context(), entries); n != 3 || err != nil {
				t.Fatal(n, err) // the entries are there, whatever they are called
			}
			got := s.Receipts()
			if c.want == "" && len(got) > 0 || c.want != "" && len(got) != 3 {
				t.Errorf("%+v: %+v", c.id, got)
				continue
			}
			for i, a := range got {
				if a.Given != c.want || a.ID != entries[i].ID || a.Seq != entries[i].Seq {
					t.Errorf("%+v: %+v, want %q", c.id, a, c.want)
				}
			}
			if again := s.Receipts(); len(again) > 0 {
				t.Errorf("given twice: %+v", again)
			}
		}
	}
}

// TestReceiptsAreOfWhatWasAccepted: what the second entry was refused with is no name for it, and what comes later is not mixed in.
func TestReceiptsAreOfWhatWasAccepted(t *testing.T) {
	calls := 0
	cfg := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		if calls++; calls == 2 {
			w.WriteHeader(http.StatusBadRequest)
		}
		fmt.Fprintf(w, `{"id":%d}`, calls)
	})
	cfg.AnswerID.Pointer = "/id"
	s := openSink(t, cfg)
	entries := sinktest.Weighings(3, 1)
	if n, err := s.Deliver(t.Context(), entries); n != 1 || outcome(err) != "refused" {
		t.Fatal(n, err)
	}
	if got := s.Receipts(); len(got) != 1 || got[0].ID != entries[0].ID || got[0].Given != "1" {
		t.Errorf("got %+v", got)
	}
	if n, err := s.Deliver(t.Context(), entries[2:]); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	if got := s.Receipts(); len(got) != 1 || got[0].ID != entries[2].ID || got[0].Given != "3" {
		t.Errorf("got %+v", got)
	}
}

// TestPointers: the examples of RFC 6901 section 5 that are texts or numbers, and what is no pointer.
func TestPointers(t *testing.T) {
	const doc = `{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}`
	for pointer, want := range map[string]string{"/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4", `/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8"} {
		if got, err := at([]byte(doc), pointer); got != want || err != nil {
			t.Errorf("%s: %q, %v, want %q", pointer, got, err, want)
		}
	}
	for _, bad := range []string{"id", "#/id", "/~", "/~2", "/a~"} {
		if _, ok := steps(bad); ok {
			t.Errorf("%q is a pointer", bad)
		}
	}
}
