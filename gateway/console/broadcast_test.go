package console

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// look opens the stream with a query and gives its events until it ends.
func look(t *testing.T, h *house, query string) <-chan [2]string {
	t.Helper()
	return followAt(t, h, "/live"+query)
}

// next gives the next event of a name.
func next(t *testing.T, events <-chan [2]string, name string) string {
	t.Helper()
	for limit := time.After(patience); ; {
		select {
		case e, open := <-events:
			if !open {
				t.Fatalf("the stream ended before an event %s", name)
			}
			if e[0] == name {
				return e[1]
			}
		case <-limit:
			t.Fatalf("no event %s comes", name)
		}
	}
}

func balancesOf(t *testing.T, state string) (ids []string) {
	t.Helper()
	var s struct {
		Site     string
		Balances []Balance
		Sinks    []Sink
	}
	if err := json.Unmarshal([]byte(state), &s); err != nil || s.Site != "north-lab" || len(s.Sinks) != 1 {
		t.Fatalf("%v: %s", err, state)
	}
	for _, b := range s.Balances {
		ids = append(ids, b.ID)
	}
	return ids
}

// TestAPageIsGivenTheBalancesThatItAsksFor: in state, readings and answers alike; and bytes only where it asks for them.
func TestAPageIsGivenTheBalancesThatItAsksFor(t *testing.T) {
	h := open(t)
	all, one, both, raw := look(t, h, ""), look(t, h, "?balance=b-13"), look(t, h, "?balance=b-13&balance=b-12&balance=b-13"), look(t, h, "?balance=b-13&bytes=yes")
	for _, c := range []struct {
		events <-chan [2]string
		want   string
	}{{all, "[b-12 b-13]"}, {one, "[b-13]"}, {both, "[b-12 b-13]"}, {raw, "[b-13]"}} {
		if got := fmt.Sprint(balancesOf(t, next(t, c.events, "state"))); got != c.want {
			t.Errorf("the first state has %s, want %s", got, c.want)
		}
	}
	long := bytes.Repeat([]byte{0xff}, 2*frameBytes)
	for i := range framesKept + 2 {
		h.hub.Publish(record.Live{Balance: "b-12", Frame: []byte("b-12"), Value: &record.Value{Digits: "12"}})
		h.hub.Publish(record.Live{Balance: "b-13", Frame: append([]byte{byte(i)}, long...), Value: &record.Value{Digits: fmt.Sprint(i)}})
	}
	for _, balance := range []string{"b-12", "b-13"} {
		h.hub.Publish(record.Live{Balance: balance, Answer: &record.Answer{Balance: balance, Outcome: record.AnswerRecorded}})
	}
	var a record.Answer
	if err := json.Unmarshal([]byte(next(t, one, "answer")), &a); err != nil || a.Balance != "b-13" || a.Outcome != "recorded" {
		t.Errorf("%+v, %v", a, err)
	}
	for range 2 {
		next(t, all, "answer")
		next(t, both, "answer")
	}
	var list []record.Live
	if err := json.Unmarshal([]byte(next(t, one, "readings")), &list); err != nil || len(list) != 1 || list[0].Balance != "b-13" {
		t.Errorf("%+v, %v", list, err)
	}
	var sent Sent
	if err := json.Unmarshal([]byte(next(t, raw, "bytes")), &sent); err != nil || sent.Balance != "b-13" || len(sent.Frames) > framesKept {
		t.Fatalf("%+v, %v", sent, err)
	}
	if got := sent.Frames[0].Bytes; len(got) != frameBytes || got[1] != 0xff {
		t.Errorf("%d bytes: % x", len(got), got)
	}
	for limit := time.After(6 * flushEvery); ; { // nobody else is given bytes
		select {
		case e := <-all:
			if e[0] == "bytes" {
				t.Errorf("%v", e)
			}
			continue
		case <-limit:
		}
		break
	}
}

func TestWhatCannotBeLookedAtIsSaid(t *testing.T) {
	h := open(t)
	for query, want := range map[string]int{"?balance=b-1": 404, "?balance=": 404, "?balance=b-12&balance=no": 404,
		"?bytes=yes": 422, "?balance=b-12&balance=b-13&bytes=yes": 422, "?balance=b-12&bytes=1": 422} {
		resp, body := ask(t, "GET", h.base+"/live"+query, nil)
		if resp.StatusCode != want {
			t.Errorf("%s: %d", query, resp.StatusCode)
		}
		checkProblem(t, resp, body)
	}
}

// TestWhoLooksAtTheSameIsGivenTheSameBytes: one encoding serves all, and nothing turns before the first and after the last.
func TestWhoLooksAtTheSameIsGivenTheSameBytes(t *testing.T) {
	h := open(t)
	if h.hub.Watched() {
		t.Error("the stream is watched, and nobody looks")
	}
	a, stateA, err := h.broadcast.join(t.Context(), view{})
	if err != nil {
		t.Fatal(err)
	}
	b, stateB, err := h.broadcast.join(t.Context(), view{})
	if err != nil {
		t.Fatal(err)
	}
	if &stateA[0] != &stateB[0] {
		t.Error("the state was encoded twice")
	}
	until(t, h.hub.Watched)
	h.hub.Publish(record.Live{Balance: "b-12", Value: &record.Value{Digits: "1"}})
	for seen := false; !seen; {
		one, other := <-a.messages, <-b.messages
		if &one[0] != &other[0] {
			t.Fatalf("encoded twice: %q", one)
		}
		seen = bytes.HasPrefix(one, []byte("event: readings\n"))
	}
	h.broadcast.leave(a)
	h.broadcast.leave(b)
	if h.hub.Watched() {
		t.Error("the stream is watched, and nobody looks any more")
	}
}

// TestAStuckPageIsDroppedAndResumesWithEverything: another page, and whoever publishes, do not notice.
func TestAStuckPageIsDroppedAndResumesWithEverything(t *testing.T) {
	t.Parallel()
	h := open(t)
	good := look(t, h, "")
	next(t, good, "state")
	stuck, head := unread(t, h, "/live")
	if !strings.Contains(head, "200 OK") {
		t.Fatal(head)
	}
	until(t, func() bool { return len(h.streams) == 2 })
	got, done := make(chan int, 1), make(chan struct{})
	go func() { // the good page takes all that is sent
		n := 0
		defer func() { got <- n }()
		for {
			select {
			case _, alive := <-good:
				if !alive {
					t.Error("the good page was dropped too")
					return
				}
				n++
			case <-done:
				return
			}
		}
	}()
	big := strings.Repeat("x", 64<<10)
	published, slowest := 0, time.Duration(0)
	for limit := time.Now().Add(writeTime + 20*time.Second); len(h.streams) > 1; published++ {
		if time.Now().After(limit) {
			t.Fatal("a page that takes nothing is still there")
		}
		began := time.Now()
		h.hub.Publish(record.Live{Balance: "b-12", Unread: big})
		h.hub.Publish(record.Live{Balance: "b-13", Value: &record.Value{Digits: fmt.Sprint(published)}})
		slowest = max(slowest, time.Since(began))
		time.Sleep(flushEvery / 2)
	}
	close(done)
	taken := <-got
	t.Logf("dropped after %d rounds; the slowest took the publisher %s; the other page took %d events", published, slowest, taken)
	if taken < published/4 {
		t.Errorf("the other page was given %d events meanwhile", taken)
	}
	stuck.Close()
	again := look(t, h, "")
	if first := <-again; first[0] != "state" || len(balancesOf(t, first[1])) != 2 {
		t.Errorf("it comes again and is given %s first", first[0])
	}
	h.hub.Publish(record.Live{Balance: "b-12", Value: &record.Value{Digits: "1"}})
	next(t, again, "readings")
	next(t, good, "readings")
}

// unread asks for an address and reads no more than the first line of the answer.
func unread(t *testing.T, h *house, path string) (c *net.TCPConn, first string) {
	t.Helper()
	c = dial(t, h)
	if err := c.SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, "GET "+path+" HTTP/1.1\r\nHost: localhost:"+h.port+"\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	first, err := bufio.NewReaderSize(c, 16).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return c, first
}

// TestWhatWaitsForAPageIsBounded: in messages and in bytes, and what is dropped is given nothing more.
func TestWhatWaitsForAPageIsBounded(t *testing.T) {
	h := open(t)
	b := &h.broadcast
	v, _, err := b.join(t.Context(), view{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.leave(v)
	other, _, err := b.join(t.Context(), view{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.leave(other)
	give := func(n int) {
		b.mu.Lock()
		defer b.mu.Unlock()
		v.airing.give(v.group, make([]byte, n))
		for len(other.messages) > 0 {
			other.waiting -= len(<-other.messages)
		}
	}
	give(10 * viewerBytes) // one that is too large by itself is given to whoever has taken all
	select {
	case <-v.dropped:
		t.Fatal("dropped for one large message")
	default:
	}
	give(1)
	select {
	case <-v.dropped:
	default:
		t.Error("more waits than there is room for, and the page was not dropped")
	}
	before := len(v.messages)
	give(1)
	if len(v.messages) != before {
		t.Error("a dropped page is still given messages")
	}
	select {
	case <-other.dropped:
		t.Error("the page that takes all was dropped")
	default:
	}
}

// TestTwoHundredPages: all of them see what is published, and programs and requests have room beside them.
func TestTwoHundredPages(t *testing.T) {
	h := open(t)
	var pages []<-chan [2]string
	for i := range 200 {
		query := ""
		if i%4 == 3 {
			query = "?balance=b-13"
		}
		events := look(t, h, query)
		pages = append(pages, events)
		next(t, events, "state")
	}
	h.hub.Publish(record.Live{Balance: "b-13", Answer: &record.Answer{Balance: "b-13", Outcome: record.AnswerUnread}})
	for _, events := range pages {
		next(t, events, "answer")
	}
	h.hub.Publish(record.Live{Balance: "b-13", Value: &record.Value{Digits: "1"}})
	for _, events := range pages {
		next(t, events, "readings")
	}
	resp, _ := ask(t, http.MethodGet, h.base+"/api/v1/balances", nil)
	if resp.StatusCode != 200 {
		t.Errorf("beside 200 pages: %d", resp.StatusCode)
	}
}
