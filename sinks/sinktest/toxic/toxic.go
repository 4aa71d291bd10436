// Package toxic puts a bad network between a sink and its destination: a proxy within the test that delays, cuts, resets, swallows and goes
// away. Only tests import it.
//
//	p := toxic.Start(t, broker.Addr())
//	mend := p.Add(t, "latency", "upstream", `{"latency": 200}`)
//	p.Down(); p.Up(t) // the same address
package toxic

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"

	toxiproxy "github.com/Shopify/toxiproxy/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
)

// Proxy is one listener on loopback in front of one address.
type Proxy struct {
	proxy *toxiproxy.Proxy
	mu    sync.Mutex
	up    bool
	named int
}

// Start starts a proxy, and ends it with the test.
func Start(t testing.TB, upstream string) *Proxy {
	t.Helper()
	server := toxiproxy.NewServer(toxiproxy.NewMetricsContainer(prometheus.NewRegistry()), zerolog.Nop())
	p := &Proxy{proxy: toxiproxy.NewProxy(server, "network", "127.0.0.1:0", upstream)}
	p.Up(t)
	t.Cleanup(p.Down)
	return p
}

// Addr is where the sink connects to, host:port. It stays the same.
func (p *Proxy) Addr() string { return p.proxy.Listen }

// Down ends all connections and refuses new ones.
func (p *Proxy) Down() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.up {
		p.proxy.Stop()
		p.up = false
	}
}

// Up listens again.
func (p *Proxy) Up(t testing.TB) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.up {
		return
	}
	if err := p.proxy.Start(); err != nil {
		t.Errorf("the network between cannot be started: %v", err)
		return
	}
	p.up = true
}

// Add makes all connections, those that are open as well, behave badly in one way, until mend is called. The kinds and their
// attributes are those of the library: latency {latency, jitter: ms}, reset_peer {timeout: ms}, limit_data {bytes}, timeout {timeout: ms, 0
// for ever}, slow_close {delay: ms}, bandwidth {rate: kB/s}. Stream is upstream, to the destination, or downstream.
func (p *Proxy) Add(t testing.TB, kind, stream, attributes string) (mend func()) {
	t.Helper()
	p.mu.Lock()
	p.named++
	name := fmt.Sprintf("toxic-%d", p.named)
	p.mu.Unlock()
	_, err := p.proxy.Toxics.AddToxicJson(strings.NewReader(
		fmt.Sprintf(`{"name": %q, "type": %q, "stream": %q, "attributes": %s}`, name, kind, stream, attributes)))
	if err != nil {
		t.Fatalf("the network does not know %s %s: %v", kind, attributes, err)
	}
	return sync.OnceFunc(func() { _ = p.proxy.Toxics.RemoveToxic(context.Background(), name) })
}
