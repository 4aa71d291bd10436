package everywhere

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port/pty"
)

// lot draws what the far sides do wrong; several connections ask it at once.
type lot struct {
	mu   sync.Mutex
	dice *rand.Rand
	over bool // no more faults
}

func (l *lot) draw(n int) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.over {
		return n - 1
	}
	return l.dice.IntN(n)
}

func (l *lot) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.over = true
}

// receiver is a web server that takes entries, and of thirty requests one each is turned away with 503, with 429, cut before the entry is
// taken, and cut after it.
type receiver struct {
	*taken
	lot *lot
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return
	}
	switch r.lot.draw(30) {
	case 0:
		http.Error(w, "later", http.StatusServiceUnavailable)
	case 1:
		w.Header().Set("Retry-After", "1")
		http.Error(w, "slower", http.StatusTooManyRequests)
	case 2:
		cut(w)
	case 3:
		r.take(body)
		cut(w)
	default:
		r.take(body)
		w.WriteHeader(http.StatusCreated)
	}
}

func cut(w http.ResponseWriter) {
	if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
		_ = c.Close()
	}
}

// listen serves each connection until the test ends, and gives the address.
func listen(t *testing.T, serve func(c net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	ctx, end := context.WithCancel(context.Background())
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				defer context.AfterFunc(ctx, func() { _ = c.Close() })()
				serve(c)
			})
		}
	})
	t.Cleanup(func() {
		end()
		_ = l.Close()
		all.Wait()
	})
	return l.Addr().String()
}

// web starts a receiver.
func web(t *testing.T, r *receiver) string { return serve(t, r) }

// serve is a web server until the test ends.
func serve(t *testing.T, h http.Handler) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: h}
	var all sync.WaitGroup
	all.Go(func() { _ = s.Serve(l) })
	t.Cleanup(func() {
		_ = s.Close()
		all.Wait()
	})
	return l.Addr().String()
}

// program reads lines and acknowledges each; of thirty acknowledgements one is lost with its connection.
func program(k *taken, l *lot) func(net.Conn) {
	return func(c net.Conn) {
		r := bufio.NewReader(c)
		for {
			line, err := r.ReadBytes('\n')
			if err != nil { // what is cut is no line
				return
			}
			k.take(line)
			if l.draw(30) == 0 {
				return
			}
			if _, err := c.Write([]byte("\x06")); err != nil {
				return
			}
		}
	}
}

const copyMark = "*** copy ***\r\n"

// printer takes one document a connection, as raw TCP printers do. What ends without its page end was never a page.
func printer(k *taken) func(net.Conn) {
	return func(c net.Conn) {
		page, err := io.ReadAll(io.LimitReader(c, 1<<20))
		if err != nil || len(page) == 0 {
			return
		}
		text, marked := strings.CutPrefix(string(page), copyMark)
		if marked {
			k.mu.Lock()
			k.copies++
			k.mu.Unlock()
		}
		k.take([]byte(strings.TrimSuffix(text, "\f")))
	}
}

// oldProgram reads a serial port: lines, of which it ignores those that are cancelled (ECMA-48, 8.3.6), and acknowledges each.
func oldProgram(ctx context.Context, all *sync.WaitGroup, cord *pty.Cord, k *taken) {
	all.Go(func() {
		var rest []byte
		b := make([]byte, 4096)
		for ctx.Err() == nil {
			n, err := cord.Read(b)
			if err != nil {
				time.Sleep(2 * time.Millisecond)
				continue
			}
			rest = append(rest, b[:n]...)
			for {
				line, after, whole := bytes.Cut(rest, []byte("\n"))
				if !whole {
					break
				}
				rest = after
				if bytes.HasSuffix(bytes.TrimSuffix(line, []byte("\r")), []byte("\x18")) {
					continue
				}
				k.take(line)
				_, _ = cord.Write([]byte("\x06"))
			}
		}
	})
}
