package walked

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// patience is how long something is waited for, on a machine that does much else.
const patience = 40 * time.Second

// lab is a daemon that runs by a file, with its journal on a disk of its own.
type lab struct {
	*gateway.Gateway
	t      *testing.T
	dir    string // of the file
	disk   string
	folder string // of the journal
}

// startLab starts one. page and more are YAML: of the page's keys beside listen, and of other keys.
func startLab(t *testing.T, disk, page, more string) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), disk: disk}
	if l.disk == "" {
		l.disk = l.dir
	}
	l.folder = filepath.Join(l.disk, "journal")
	layout := "line: \"W {weight} {unit} {stability}\"\nstability: {\"S\": stable, \"M\": unstable}\n"
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\"%s}\n%s",
		l.folder, page, more)
	for name, text := range map[string]string{"line.yaml": layout, "weighpost.yaml": text} {
		if err := os.WriteFile(filepath.Join(l.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.LoadFile(filepath.Join(l.dir, "weighpost.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l.Gateway = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := l.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	return l
}

// stop ends the daemon in good order and verifies its journal.
func (l *lab) stop() {
	limit, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := l.Stop(limit); err != nil {
		l.t.Error(err)
	}
	report, err := journal.Verify(limit, l.folder, "", nil)
	if err != nil || !report.Verified {
		l.t.Errorf("the journal does not verify: %v %s", err, report.Text())
	}
}

// entries are those of the journal that have one of the kinds.
func (l *lab) entries(kinds ...record.Kind) (list []record.Entry) {
	l.t.Helper()
	err := journal.Scan(context.Background(), l.folder, 0, func(e record.Entry) error {
		if slices.Contains(kinds, e.Kind) {
			list = append(list, e)
		}
		return nil
	})
	if err != nil {
		l.t.Fatal(err)
	}
	return list
}

// has waits until the journal has so many entries of a kind, all words in the last of them, and gives that one.
func (l *lab) has(n int, kind record.Kind, words ...string) record.Entry {
	l.t.Helper()
	var list []record.Entry
	for limit := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		if list = l.entries(kind); len(list) >= n || time.Now().After(limit) {
			break
		}
	}
	if len(list) != n {
		l.t.Fatalf("the journal has %d entries %s, want %d", len(list), kind, n)
	}
	last := list[n-1]
	for _, w := range words {
		if !strings.Contains(string(last.JSON), w) {
			l.t.Errorf("the entry of kind %s lacks %q: %s", kind, w, last.JSON)
		}
	}
	return last
}

func (l *lab) token(name string) string {
	l.t.Helper()
	b, err := os.ReadFile(filepath.Join(l.folder, name))
	if err != nil {
		l.t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// balance is a simulated one behind a device server.
type balance struct {
	t       *testing.T
	address string

	mu       sync.Mutex
	listener net.Listener
	line     net.Conn // the newest connection
}

func newBalance(t *testing.T) *balance {
	t.Helper()
	b := &balance{t: t, address: "127.0.0.1:0"}
	b.plug()
	t.Cleanup(b.pull)
	return b
}

// plug has the device server answer under its address.
func (b *balance) plug() {
	b.t.Helper()
	l, err := net.Listen("tcp", b.address)
	if err != nil {
		b.t.Fatal(err)
	}
	b.mu.Lock()
	b.listener, b.address = l, l.Addr().String()
	b.mu.Unlock()
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.mu.Lock()
			if b.line != nil {
				b.line.Close()
			}
			b.line = c
			b.mu.Unlock()
		}
	}()
}

// pull takes the device server away.
func (b *balance) pull() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.listener.Close()
	if b.line != nil {
		b.line.Close()
		b.line = nil
	}
}

// sends has bytes come over the line.
func (b *balance) sends(text string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.line == nil {
		b.t.Fatal("nobody is connected to the balance")
	}
	if _, err := b.line.Write([]byte(text)); err != nil {
		b.t.Fatal(err)
	}
}

// printed is a line as this balance prints it: a net weight in ten-thousandths of a gram.
func printed(n int) string { return fmt.Sprintf("N %10d.%04d g  \r\n", n/10000, n%10000) }
