package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"time"
)

// labSystemID is the id of the key of the lab system that asks for results: what it asks for comes back under it.
const labSystemID = "seed-lims"

// labQueue is the lab system that asks the seed testing bench for results: it posts requests with its own key, and keeps what comes back.
type labQueue struct {
	key  *somebody
	say  io.Writer
	mu   sync.Mutex
	sent int
	back map[string]answered // by id of the entry
}

// answered is what came back about a request: the entry, in the lab system's own words.
type answered struct {
	ID      string
	Request struct {
		From, ID, Job string
		Fields        map[string]string
	}
	Change, State, Run, Verdict string
	Results                     []struct {
		Name, Label, Digits, Unit, Verdict, Allowed string
		Item                                        struct{ Sample string }
	}
}

// item is a sample, in a container or not.
type item struct {
	Sample    string `json:"sample,omitempty"`
	Container string `json:"container,omitempty"`
}

// labRequest is what the lab system asks for.
type labRequest struct {
	ID         string            `json:"id"`
	Procedure  string            `json:"procedure"`
	Items      []item            `json:"items"`
	Parameters map[string]string `json:"parameters,omitempty"`
	Balance    string            `json:"balance,omitempty"`
	Priority   int               `json:"priority,omitempty"`
	Due        string            `json:"due,omitempty"`
	Job        string            `json:"job,omitempty"`
	Fields     map[string]string `json:"fields,omitempty"`
}

// The requests of the day.
const (
	askDrying  = "SB-4101"
	askSeeds   = "SB-4102"
	askPackets = "SB-4103"
	askLater   = "SB-4104" // waits for whoever looks at the page
	askNever   = "SB-4105" // is cancelled again
)

// dishes are those that dry today, and one of the shelf beside them that gets mixed up with them.
var dishes = []string{"DISH-01", "DISH-02", "DISH-03", strangeDish}

const strangeDish = "DISH-09"

// lots of the day.
var (
	dryingLots = []string{"LOT-7001", "LOT-7002", "LOT-7003"}
	packetLots = []string{"LOT-7011", "LOT-7012", "LOT-7013"}
)

const (
	seedLot  = "LOT-7021"
	laterLot = "LOT-7022"
)

// morning is when the lab system asks for the day's work.
func (d *day) morning(ctx context.Context) error {
	due := func(in time.Duration) string { return time.Now().Add(in).UTC().Format(time.RFC3339) }
	drying, packets := []item{}, []item{}
	for i, lot := range dryingLots {
		drying = append(drying, item{lot, dishes[i]})
	}
	for _, lot := range packetLots {
		packets = append(packets, item{Sample: lot})
	}
	return d.system.post(ctx,
		labRequest{ID: askSeeds, Procedure: seedMass, Items: []item{{Sample: seedLot}}, Priority: 5, Due: due(time.Hour), Job: "J-31"},
		labRequest{ID: askDrying, Procedure: dryingLoss, Items: drying, Parameters: map[string]string{"least": "2 %", "most": "12 %"}, Priority: 1, Due: due(2 * time.Minute), Job: "J-31"},
		labRequest{ID: askPackets, Procedure: netMass, Items: packets, Parameters: map[string]string{"least": "24.9 g", "most": "25.1 g"}, Priority: 2, Due: due(time.Minute), Job: "J-32"})
}

// evening is when more comes: one request waits for whoever looks at the page, moved to the front, and one is cancelled again.
func (d *day) evening(ctx context.Context) error {
	s := d.system
	if err := s.post(ctx, labRequest{ID: askLater, Procedure: seedMass, Items: []item{{Sample: laterLot}}, Priority: 8, Job: "J-33"},
		labRequest{ID: askNever, Procedure: seedMass, Items: []item{{Sample: "LOT-7023"}}, Priority: 5, Job: "J-33"}); err != nil {
		return err
	}
	if err := s.key.ask(ctx, http.MethodPatch, "requests/"+labSystemID+"/"+askLater, map[string]any{"priority": 1, "reason": "the lot goes out first (demo)"}, nil); err != nil {
		return err
	}
	return s.key.ask(ctx, http.MethodPost, "requests/"+labSystemID+"/"+askNever+"/cancel", map[string]any{"reason": "the lot was withdrawn (demo)"}, nil)
}

// post sends requests, and the same once more, as a system does whose answer got lost: it changes nothing.
func (s *labQueue) post(ctx context.Context, list ...labRequest) error {
	for i := range list {
		list[i].Fields = map[string]string{"note": invented}
	}
	for range 2 {
		var taken struct {
			Requests []struct {
				ID, Why string
				OK      bool
			}
		}
		if err := s.key.ask(ctx, http.MethodPost, "requests", list, &taken); err != nil {
			return err
		}
		for _, one := range taken.Requests {
			if !one.OK {
				return fmt.Errorf("the request %s of the simulated lab system was refused: %s", one.ID, one.Why)
			}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent += len(list)
	return nil
}

// listen starts the lab system's ear: it takes what comes back about requests. It ends with stop.
func (s *labQueue) listen() (url string, stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, fmt.Errorf("the demo's lab system cannot listen: %w", err)
	}
	s.back = map[string]answered{}
	server := &http.Server{ReadHeaderTimeout: 5 * time.Second, Handler: http.HandlerFunc(s.hear)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(l) // ends with Close, and says so
	}()
	return "http://" + l.Addr().String() + "/requests", func() { _ = server.Close(); <-done }, nil
}

func (s *labQueue) hear(w http.ResponseWriter, r *http.Request) {
	var a answered
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<20))
	if err == nil {
		err = json.Unmarshal(body, &a)
	}
	if err != nil || a.ID == "" || a.Request.ID == "" {
		http.Error(w, "that is nothing about a request", http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, again := s.back[a.ID]; !again && len(a.Results) > 0 {
		fmt.Fprintf(s.say, "  lab system: request %s (job %s) is %s, %s, with %d results\n", a.Request.ID, a.Request.Job, a.State, a.Verdict, len(a.Results))
	}
	s.back[a.ID] = a
	w.WriteHeader(http.StatusNoContent)
}

// heard says how many requests were sent and how many came back with results, and how many of the entries did not come back.
func (s *labQueue) heard(entries []string) (sent, results, missing int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	answered := map[string]bool{} // a run that is reviewed comes back once more
	for _, a := range s.back {
		if len(a.Results) > 0 {
			answered[a.Request.ID] = true
		}
	}
	results = len(answered)
	for _, id := range entries {
		if _, came := s.back[id]; !came {
			missing++
		}
	}
	return s.sent, results, missing
}
