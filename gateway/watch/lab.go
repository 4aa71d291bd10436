package watch

import (
	"bufio"
	"context"
	"encoding/json"
	"net/url"
	"time"

	"weighpost/gateway/record"
)

// What the screen needs of a state beside what lines need. Keys that are absent are zero.
type (
	balanceState struct {
		ID          string               `json:"id"`
		Place       string               `json:"place"`
		Port        string               `json:"port"`
		PortUp      bool                 `json:"port_up"`
		Frames      uint64               `json:"frames"`
		Unread      uint64               `json:"unread"`
		Recorded    uint64               `json:"recorded"`
		Readability string               `json:"readability"`
		Rule        string               `json:"rule"`
		Context     []record.ContextHeld `json:"context"`
		Live        *record.Live         `json:"live"`
		Last        *lastRecorded        `json:"last"`
	}
	sinkState struct {
		ID     string `json:"id"`
		State  string `json:"state"`
		Parked uint64 `json:"parked"`
		Lag    uint64 `json:"lag"`
	}
	clockState struct {
		State string   `json:"state"`
		Bound *float64 `json:"bound_s"`
	}
)

// sent is what the page's event "bytes" tells of one balance.
type sent struct {
	Balance string      `json:"balance"`
	Frames  []sentFrame `json:"frames"`
	LeftOut int         `json:"left_out"`
}

type sentFrame struct {
	UTC    record.UTC `json:"utc"`
	Bytes  []byte     `json:"bytes"`
	Unread string     `json:"unread"`
}

// bytes hands over what one balance sends, as it comes, until ctx ends. While the daemon is away it tries again; that it is away
// is for Run to say.
func (d *Daemon) bytes(ctx context.Context, balance string, take func(sent)) {
	query := url.Values{"balance": {balance}, "bytes": {"yes"}}
	for ctx.Err() == nil {
		d.someBytes(ctx, d.URL+"/live?"+query.Encode(), take)
		select {
		case <-ctx.Done():
		case <-time.After(d.first):
		}
	}
}

// someBytes reads one connection to its end.
func (d *Daemon) someBytes(ctx context.Context, address string, take func(sent)) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	alive := time.AfterFunc(d.silence, cancel)
	defer alive.Stop()
	body, err := open(ctx, d.TLS, d.Token, address)
	if err != nil {
		return
	}
	defer body.Close()
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, eventLimit)
	scanEvents(lines, func() { alive.Reset(d.silence) }, func(name string, data []byte) error {
		var s sent
		if name == "bytes" && json.Unmarshal(data, &s) == nil {
			take(s)
		}
		return nil
	})
}
