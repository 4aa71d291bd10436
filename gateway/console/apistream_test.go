package console

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// reel is a journal in memory that can be followed.
type reel struct {
	mu    sync.Mutex
	list  []string
	moved chan struct{}
	large int // bytes that every entry has more
}

func newReel() *reel { return &reel{moved: make(chan struct{})} }

func (r *reel) add(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for range n {
		seq := len(r.list) + 1
		r.list = append(r.list, aWeighing(seq, r.large))
	}
	close(r.moved)
	r.moved = make(chan struct{})
}

// aWeighing is a weighing with all that one has at least, and so many bytes more.
func aWeighing(seq, more int) string {
	value, _ := json.Marshal(record.Value{Digits: "12.345", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"})
	stamp, _ := json.Marshal(record.Stamp{UTC: record.UTC(time.Unix(1795773845, 0)), Zone: "+00:00", Clock: record.ClockUnchecked})
	return fmt.Sprintf(`{"schema":"weighpost.weighing/1","id":"north-lab/7qx3/b-12/%06d","seq":%d,"site":"north-lab","balance":{"id":"b-12"},"value":%s,`+
		`"frame":"MTIuMzQ1IGcNCg==","trigger":"printed","stamp":%s,"context":{},"pad":"%s"}`, seq, seq, value, stamp, strings.Repeat("x", more))
}

func (r *reel) now() (head int, moved chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.list), r.moved
}

func (r *reel) place(after string) (int, error) {
	life, number, named := strings.Cut(after, ".")
	if !named {
		life, number = "7qx3", after
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		return 0, &record.RequestRefused{Why: "that is no cursor"}
	}
	if life != "7qx3" {
		return 0, &OtherLife{Asked: after, Now: "7qx3", Shared: "7qx2.1"}
	}
	return n, nil
}

func (r *reel) Follow(_ context.Context, v url.Values, after string, _ ...record.Kind) (Following, error) {
	if v.Get("text") == "refused" {
		return nil, &record.RequestRefused{Why: "from is no time"}
	}
	head, _ := r.now()
	f := &reading{reel: r, at: head}
	var err error
	if after != "" {
		f.at, err = r.place(after)
	}
	return f, err
}

func (r *reel) Now(context.Context) (string, error) {
	head, _ := r.now()
	return fmt.Sprintf("7qx3.%d", head), nil
}

func (r *reel) NextWeighing(ctx context.Context, balance, after string, wait time.Duration, _ ...record.Kind) (Followed, error) {
	at, err := r.place(after)
	if err == nil && balance != "b-12" {
		err = record.ErrNoBalance
	}
	if err != nil {
		return Followed{}, err
	}
	f, limit := &reading{reel: r, at: at}, ctx
	limit, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	list, err := f.More(limit)
	if errors.Is(err, context.DeadlineExceeded) {
		return Followed{Cursor: f.Cursor()}, nil
	}
	if err != nil {
		return Followed{}, err
	}
	return list[0], nil
}

// reading is one reader of a reel.
type reading struct {
	reel *reel
	at   int
}

func (f *reading) Cursor() string { return fmt.Sprintf("7qx3.%d", f.at) }

func (f *reading) More(ctx context.Context) (list []Followed, err error) {
	for {
		head, moved := f.reel.now()
		if head > f.at {
			f.reel.mu.Lock()
			defer f.reel.mu.Unlock()
			for _, e := range f.reel.list[f.at:min(head, f.at+256)] {
				f.at++
				list = append(list, Followed{Cursor: f.Cursor(), Entry: json.RawMessage(e)})
			}
			return list, nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// told is one event of a stream.
type told struct{ event, id, data string }

// listen follows a stream until the reader ends, and hands on what it tells.
func listen(r io.Reader) <-chan told {
	c := make(chan told, 4096)
	go func() {
		defer close(c)
		var e told
		lines := bufio.NewScanner(r)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			name, value, _ := strings.Cut(lines.Text(), ": ")
			switch name {
			case "event":
				e.event = value
			case "id":
				e.id = value
			case "data":
				e.data += value
			case "":
				if e != (told{}) && lines.Text() == "" {
					c <- e
					e = told{}
				}
			}
		}
	}()
	return c
}

// hear gives the next event that tells something.
func hear(t *testing.T, c <-chan told) told {
	t.Helper()
	select {
	case e := <-c:
		return e
	case <-time.After(patience):
		t.Fatal("nothing comes")
		return told{}
	}
}

func tune(t *testing.T, client *http.Client, url, last string) (*http.Response, <-chan told) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if last != "" {
		req.Header.Set("Last-Event-ID", last)
	}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		b, _ := io.ReadAll(resp.Body)
		t.Fatalf("%d %s: %s", resp.StatusCode, resp.Header.Get("Content-Type"), b)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp, listen(resp.Body)
}

// TestAStreamGoesOnWhereItEnded: HTML Standard, section 9.2.4, the header Last-Event-ID, which goes before the address's own.
func TestAStreamGoesOnWhereItEnded(t *testing.T) {
	h := open(t)
	h.reel.add(3)
	const path = "/api/v1/journal/stream"
	resp, c := tune(t, http.DefaultClient, h.base+path, "")
	if e := hear(t, c); e.event != "begin" || e.id != "7qx3.3" || e.data != `{"after":"7qx3.3"}` {
		t.Errorf("%+v", e)
	}
	h.reel.add(2)
	for n := 4; n <= 5; n++ {
		if e := hear(t, c); e.event != "entry" || e.id != fmt.Sprintf("7qx3.%d", n) || e.data != h.reel.list[n-1] {
			t.Errorf("%+v", e)
		}
	}
	resp.Body.Close()
	h.reel.add(2)
	_, c = tune(t, http.DefaultClient, h.base+path+"?after=0", "7qx3.5")
	hear(t, c)
	for n := 6; n <= 7; n++ {
		if e := hear(t, c); e.id != fmt.Sprintf("7qx3.%d", n) {
			t.Errorf("%+v", e)
		}
	}
	_, c = tune(t, http.DefaultClient, h.base+"/api/v1/weighings/stream?after=6", "")
	hear(t, c)
	if e := hear(t, c); e.event != "weighing" || e.id != "7qx3.7" {
		t.Errorf("%+v", e)
	}
	for query, status := range map[string]int{"?text=refused": 422, "?after=x": 422, "?after=7qx9.4": 409} {
		if resp, body := ask(t, "GET", h.base+path+query, nil); resp.StatusCode != status || !strings.Contains(body, `"status":`+strconv.Itoa(status)) {
			t.Errorf("%s: %d %s", query, resp.StatusCode, body)
		}
	}
	if resp, body := ask(t, "GET", h.base+path+"?after=7qx9.4", nil); !strings.Contains(body, problemOtherLife) || !strings.Contains(body, "7qx2.1") {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if resp, body := ask(t, "GET", h.base+"/api/v1/weighings/stream?kind=weighing", nil); resp.StatusCode != 422 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if resp, _ := ask(t, "HEAD", h.base+path, nil); resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Errorf("HEAD: %d", resp.StatusCode)
	}
}

// TestAStreamOutlivesTheTimeOfARequest: the server gives a request 10 s to come and to be answered (console.go); a stream goes on.
func TestAStreamOutlivesTheTimeOfARequest(t *testing.T) {
	t.Parallel()
	h := open(t)
	_, c := tune(t, http.DefaultClient, h.base+"/api/v1/journal/stream", "")
	_, l := tune(t, http.DefaultClient, h.base+"/api/v1/live/stream?balance=b-12", "")
	hear(t, c)
	time.Sleep(requestTime + 2*time.Second)
	h.reel.add(1)
	h.hub.Publish(record.Live{Balance: "b-13"})
	h.hub.Publish(record.Live{Balance: "b-12"})
	if e := hear(t, c); e.id != "7qx3.1" {
		t.Errorf("%+v", e)
	}
	if e := hear(t, l); e.event != "reading" || !strings.HasPrefix(e.data, `{"balance":"b-12"`) {
		t.Errorf("%+v", e)
	}
	// Beats tell the place also where nothing comes; the first is due 15 s after the last event.
}

// TestStreamsAreBounded: and the one over that is told so; when one ends there is room.
func TestStreamsAreBounded(t *testing.T) {
	h := open(t)
	var last *http.Response
	for range followLimit {
		last, _ = tune(t, http.DefaultClient, h.base+"/api/v1/live/stream", "")
	}
	resp, body := ask(t, "GET", h.base+"/api/v1/journal/stream", nil)
	if resp.StatusCode != 503 || resp.Header.Get("Retry-After") == "" {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if resp, _ := ask(t, "GET", h.base+"/live", func(r *http.Request) { r.Method = "HEAD" }); resp.StatusCode != 200 {
		t.Errorf("the page's own stream has no room: %d", resp.StatusCode)
	}
	last.Body.Close()
	until(t, func() bool {
		resp, _ := ask(t, "HEAD", h.base+"/api/v1/journal/stream", nil)
		return resp.StatusCode == 200
	})
}

func until(t *testing.T, f func() bool) {
	t.Helper()
	for limit := time.Now().Add(patience); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("it does not come about")
		}
	}
}

// TestAClientThatTakesNothingIsDroppedAndDelaysNobody: it asks for megabytes and reads none; another gets all meanwhile.
func TestAClientThatTakesNothingIsDroppedAndDelaysNobody(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.reel.large = 8 << 10
	conn, err := net.Dial("tcp", strings.TrimPrefix(h.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.(*net.TCPConn).SetReadBuffer(4 << 10)
	fmt.Fprintf(conn, "GET /api/v1/journal/stream?after=0 HTTP/1.1\r\nHost: %s\r\n\r\n", strings.TrimPrefix(h.base, "http://"))
	_, c := tune(t, http.DefaultClient, h.base+"/api/v1/journal/stream?after=0", "")
	hear(t, c)
	until(t, func() bool { return len(h.followers) == 2 })
	longest, last := time.Duration(0), time.Now()
	h.reel.add(1500) // 12 MB: more than the system takes for the one that reads nothing
	for n := 1; n <= 1500; n++ {
		if e := hear(t, c); e.id != fmt.Sprintf("7qx3.%d", n) {
			t.Fatalf("%d: %s", n, e.id)
		}
		longest, last = max(longest, time.Since(last)), time.Now()
	}
	if longest > writeTime-time.Second { // for so long the other one keeps whoever waits for it
		t.Errorf("the other one waited %s for an event", longest)
	}
	until(t, func() bool { return len(h.followers) == 1 })
}

// TestStreamsGoOverHTTP2: with TLS, as beyond loopback, several on one connection, beyond the server's time for an answer.
func TestStreamsGoOverHTTP2(t *testing.T) {
	t.Parallel()
	h := open(t)
	mux := http.NewServeMux()
	h.newAPI(mux)
	srv := httptest.NewUnstartedServer(h.identified(mux))
	srv.EnableHTTP2, srv.Config.WriteTimeout, srv.Config.ReadTimeout = true, time.Second, time.Second
	srv.StartTLS()
	defer srv.Close()
	defer srv.CloseClientConnections()
	resp, c := tune(t, srv.Client(), srv.URL+"/api/v1/journal/stream", "")
	if resp.ProtoMajor != 2 {
		t.Fatalf("it is HTTP/%d", resp.ProtoMajor)
	}
	again, d := tune(t, srv.Client(), srv.URL+"/api/v1/journal/stream", "")
	hear(t, c)
	hear(t, d)
	time.Sleep(2 * time.Second)
	h.reel.add(1)
	if e := hear(t, c); e.id != "7qx3.1" {
		t.Errorf("%+v", e)
	}
	if e := hear(t, d); e.id != "7qx3.1" {
		t.Errorf("%+v", e)
	}
	resp.Body.Close()
	again.Body.Close()
}

func TestNextIsTheSameEachTime(t *testing.T) {
	h := open(t)
	const path = "/api/v1/balances/b-12/next"
	next := func(query string) (weighing, cursor string) {
		t.Helper()
		resp, body := ask(t, "GET", h.base+path+query, nil)
		var a struct {
			Weighing json.RawMessage
			Cursor   string
		}
		if err := json.Unmarshal([]byte(body), &a); resp.StatusCode != 200 || err != nil {
			t.Fatalf("%d %s", resp.StatusCode, body)
		}
		return string(a.Weighing), a.Cursor
	}
	w, first := next("")
	if w != "" || first != "7qx3.0" {
		t.Errorf("%s %s", w, first)
	}
	if w, c := next("?wait_s=0.05&after=" + first); w != "" || c != first {
		t.Errorf("when the time is out: %s %s", w, c)
	}
	time.AfterFunc(50*time.Millisecond, func() { h.reel.add(3) })
	w, second := next("?wait_s=20&after=" + first)
	if w != h.reel.list[0] || second != "7qx3.1" {
		t.Errorf("%s %s", w, second)
	}
	if again, c := next("?after=" + first); again != w || c != second {
		t.Errorf("%s %s", again, c)
	}
	for where, status := range map[string]int{path + "?after=7qx9.1": 409, path + "?after=x": 422, path + "?wait_s=61&after=0": 422, "/api/v1/balances/b-99/next": 404} {
		if resp, body := ask(t, "GET", h.base+where, nil); resp.StatusCode != status {
			t.Errorf("%s: %d %s", where, resp.StatusCode, body)
		}
	}
}

// TestManyWaitForTheNextWeighing: each gets the same, over connections that wait at the same time.
func TestManyWaitForTheNextWeighing(t *testing.T) {
	h := open(t)
	got := make(chan string, 200)
	var all sync.WaitGroup
	for range 200 {
		all.Go(func() {
			resp, err := http.Get(h.base + "/api/v1/balances/b-12/next?after=0&wait_s=30")
			if err != nil {
				got <- err.Error()
				return
			}
			defer resp.Body.Close()
			b, _ := io.ReadAll(resp.Body)
			got <- string(b)
		})
	}
	time.Sleep(100 * time.Millisecond)
	h.reel.add(1)
	all.Wait()
	want := fmt.Sprintf("{\"weighing\":%s,\"cursor\":\"7qx3.1\"}\n", h.reel.list[0])
	for range 200 {
		if s := <-got; s != want {
			t.Fatalf("%s, want %s", s, want)
		}
	}
}

func TestWeighingsAreListedAndFoundByTheirIDs(t *testing.T) {
	h := open(t)
	resp, body := ask(t, "GET", h.base+"/api/v1/weighings?results=true&text=x", nil)
	if resp.StatusCode != 200 || !strings.Contains(body, aWeighing(7, 0)) || !strings.Contains(body, `"next":"abc"`) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	for path, status := range map[string]int{"?kind=start": 422, "?since_review=true": 422, "?results=1": 422, "?text=refused": 422, "?text=behind": 503,
		"/north-lab/7qx3/@/000007": 404, "/north-lab/7qx3/b-12/000184": 404} {
		if resp, body := ask(t, "GET", h.base+"/api/v1/weighings"+path, nil); resp.StatusCode != status {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
	}
}
