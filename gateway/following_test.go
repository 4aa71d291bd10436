//go:build linux

package gateway_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"

	"weighpost/gateway"
	"weighpost/gateway/record"
)

// nextOf asks for the next weighing of a balance.
func nextOf(t *testing.T, g *gateway.Gateway, balance, query string) (id, digits, cursor string) {
	t.Helper()
	status, body := request(t, g, "GET", "api/v1/balances/"+balance+"/next"+query, "", "")
	var a struct {
		Weighing record.Weighing
		Cursor   string
	}
	if err := json.Unmarshal(body, &a); status != http.StatusOK || err != nil {
		t.Fatalf("%d %s", status, body)
	}
	return a.Weighing.ID, a.Weighing.Value.Digits, a.Cursor
}

// TestTheNextWeighingIsTheSameForEverybody: in one row while it is printed, for many at once, and after a restart.
func TestTheNextWeighingIsTheSameForEverybody(t *testing.T) {
	t.Parallel()
	d := newDaemon(t, daemonOptions{balances: 2})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	_, _, first := nextOf(t, d.Gateway, "b-1", "")
	if id, _, again := nextOf(t, d.Gateway, "b-1", "?wait_s=0.1&after="+first); id != "" || again == "" {
		t.Errorf("nothing was weighed, and there is %s", id)
	}
	const waiters = 50
	ids := make(chan string, waiters)
	var all sync.WaitGroup
	for range waiters {
		all.Go(func() { id, _, _ := nextOf(t, d.Gateway, "b-1", "?wait_s=20&after="+first); ids <- id })
	}
	if _, err := d.cords[1].Write(line(99)); err != nil { // of another balance: nobody's here
		t.Fatal(err)
	}
	for n := 1; n <= 3; n++ {
		if _, err := d.cords[0].Write(line(n)); err != nil {
			t.Fatal(err)
		}
	}
	all.Wait()
	one, digits, second := nextOf(t, d.Gateway, "b-1", "?after="+first)
	for range waiters {
		if id := <-ids; id != one || digits != "0.001" {
			t.Fatalf("%s, and %s with %s", id, one, digits)
		}
	}
	var row []string
	for at := second; len(row) < 2; {
		id, digits, next := nextOf(t, d.Gateway, "b-1", "?wait_s=20&after="+at)
		row, at = append(row, id+" "+digits), next
	}
	if !strings.HasSuffix(row[0], "/b-1/000002 0.002") || !strings.HasSuffix(row[1], "/b-1/000003 0.003") {
		t.Error(row)
	}
	d.stop(t)
	again := &daemon{cfg: d.cfg, Gateway: gateway.New(d.cfg, gateway.Options{Hasher: littleWork()}), cords: d.cords}
	again.start(t)
	defer again.stop(t)
	if id, _, c := nextOf(t, again.Gateway, "b-1", "?after="+first); id != one || c != second {
		t.Errorf("after a restart: %s %s, want %s %s", id, c, one, second)
	}
	status, body := request(t, again.Gateway, "GET", "api/v1/weighings/"+one, "", "")
	if status != http.StatusOK || !strings.Contains(string(body), `"id":"`+one+`"`) {
		t.Errorf("%d %s", status, body)
	}
	for where, want := range map[string]int{"weighings/" + one + "0": 404, "balances/b-9/next?after=" + first: 404, "balances/b-1/next?after=zz." + second[strings.Index(second, ".")+1:]: 409,
		"balances/b-1/next?after=99999": 422, "balances/b-1/next?after=" + second + "99": 409, "journal/stream?before=9": 422, "journal/stream?kind=nothing": 422} {
		if status, body := request(t, again.Gateway, "GET", "api/v1/"+where, "", ""); status != want {
			t.Errorf("%s: %d %s", where, status, body)
		}
	}
}

// TestAStreamGivesWhatItsFilterAsksFor: of two balances' weighings those of one, in order, by way of the whole journal.
func TestAStreamGivesWhatItsFilterAsksFor(t *testing.T) {
	d := newDaemon(t, daemonOptions{balances: 2})
	d.start(t)
	defer d.stop(t)
	defer http.DefaultClient.CloseIdleConnections()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "GET", d.PageURL()+"api/v1/weighings/stream?balance=b-2&after=0", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	for n := 1; n <= 20; n++ {
		for _, cord := range d.cords {
			if _, err := cord.Write(line(n)); err != nil {
				t.Fatal(err)
			}
		}
	}
	lines, n := bufio.NewScanner(io.LimitReader(resp.Body, 1<<20)), 0
	for n < 20 && lines.Scan() {
		data, is := strings.CutPrefix(lines.Text(), `data: {"schema"`)
		if !is {
			continue
		}
		if n++; !strings.Contains(data, `"weighpost.weighing/1"`) || !strings.Contains(data, fmt.Sprintf("/b-2/%06d\"", n)) {
			t.Fatal(data)
		}
	}
	if n != 20 {
		t.Errorf("%d came: %v", n, lines.Err())
	}
}
