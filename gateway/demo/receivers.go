package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// arrival is one weighing as it came out on the far side of a sink.
type arrival struct {
	ID      string `json:"id"`
	Balance struct {
		ID string `json:"id"`
	} `json:"balance"`
	Value struct {
		Digits string `json:"digits"`
		Unit   string `json:"unit"`
	} `json:"value"`
	Context struct {
		Person tie `json:"person"`
		Sample tie `json:"sample"`
	} `json:"context"`
}

// receiver collects what one sink delivered, by means that share nothing with the sink.
type receiver struct {
	mu       sync.Mutex
	arrivals []arrival
	faults   []string // what came and was no weighing
}

func (r *receiver) take(raw []byte) {
	var a arrival
	err := json.Unmarshal(raw, &a)
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil || a.ID == "" {
		r.faults = append(r.faults, fmt.Sprintf("%.80q is no weighing", raw))
		return
	}
	r.arrivals = append(r.arrivals, a)
}

// distinct is how many different weighings have arrived.
func (r *receiver) distinct() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	ids := make(map[string]bool, len(r.arrivals))
	for _, a := range r.arrivals {
		ids[a.ID] = true
	}
	return len(ids)
}

// listenMQTT subscribes to all weighings at the broker with a client of its own.
func (r *receiver) listenMQTT(ctx context.Context, broker, topic string) (stop func(), err error) {
	client := paho.NewClient(paho.NewClientOptions().AddBroker(broker).SetClientID("demo-receiver").
		SetAutoReconnect(false).SetConnectTimeout(5 * time.Second))
	if err := waitToken(ctx, client.Connect()); err != nil {
		return nil, fmt.Errorf("the demo's own MQTT receiver cannot connect to %s: %w", broker, err)
	}
	take := func(_ paho.Client, m paho.Message) { r.take(m.Payload()) }
	if err := waitToken(ctx, client.Subscribe(topic, 1, take)); err != nil {
		client.Disconnect(0)
		return nil, fmt.Errorf("the demo's own MQTT receiver cannot subscribe: %w", err)
	}
	return func() { client.Disconnect(100) }, nil
}

func waitToken(ctx context.Context, t paho.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(5 * time.Second):
		return errors.New("no answer within 5 s")
	}
}

// listenHTTP starts a small server that accepts weighings. It ends with stop.
func (r *receiver) listenHTTP() (url string, stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, fmt.Errorf("the demo's own HTTP receiver cannot listen: %w", err)
	}
	server := &http.Server{ReadHeaderTimeout: 5 * time.Second, Handler: http.HandlerFunc(r.accept)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(l) // ends with Close, and says so
	}()
	return "http://" + l.Addr().String() + "/weighings", func() { _ = server.Close(); <-done }, nil
}

func (r *receiver) accept(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(http.MaxBytesReader(w, req.Body, 1<<20))
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	r.take(body)
	w.WriteHeader(http.StatusNoContent)
}

// readFolder counts what lies in the folder that the files sink writes to.
func (r *receiver) readFolder(dir string) error {
	return filepath.WalkDir(dir, func(name string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".json") {
			return err
		}
		raw, err := os.ReadFile(name)
		if err == nil {
			r.take(raw)
		}
		return err
	})
}
