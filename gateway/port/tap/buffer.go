package tap

import "sync"

const (
	bufferSize  = 16 << 10 // bytes that wait for the program, at the most
	longestLine = 1 << 10  // what is longer has no end worth waiting for
)

// buffer holds what waits for the program. It never grows and never blocks whoever puts something in; where it is full it
// takes back the line that did not fit, whole.
type buffer struct {
	mu     sync.Mutex
	ring   [bufferSize]byte
	head   uint64 // bytes taken since the beginning
	tail   uint64 // bytes put, likewise
	shown  uint64 // what can be taken ends here: at or before tail
	line   uint64 // where the line under way begins: at or before tail, and at most longestLine before it
	ready  chan struct{}
	closed bool
}

func newBuffer() *buffer { return &buffer{ready: make(chan struct{}, 1)} }

// put adds a piece of a line; starts says that the line begins with it. Where the line does not fit, what was put of it is
// taken back, and put says false: the caller leaves out the rest of the line.
func (b *buffer) put(p []byte, starts bool) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if starts {
		b.line = b.tail
	}
	if b.tail-b.head+uint64(len(p)) > bufferSize {
		b.tail = max(b.line, b.head)
		b.shown = min(b.shown, b.tail)
		return false
	}
	for len(p) > 0 {
		n := copy(b.ring[b.tail%bufferSize:], p)
		b.tail, p = b.tail+uint64(n), p[n:]
	}
	return true
}

// show lets what was put be taken.
func (b *buffer) show() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.shown != b.tail {
		b.shown = b.tail
		b.wake()
	}
}

func (b *buffer) wake() {
	select {
	case b.ready <- struct{}{}:
	default:
	}
}

// take moves what is next into p, and waits for something to come. It gives 0 once the buffer is closed.
func (b *buffer) take(p []byte) int {
	for {
		b.mu.Lock()
		if b.closed {
			b.mu.Unlock()
			return 0
		}
		if n := min(b.shown-b.head, uint64(len(p))); n > 0 {
			for i := range n {
				p[i] = b.ring[(b.head+i)%bufferSize]
			}
			b.head += n
			b.mu.Unlock()
			return int(n)
		}
		b.mu.Unlock()
		<-b.ready
	}
}

// empty says whether nothing is left to take.
func (b *buffer) empty() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.head == b.shown
}

// skipLine drops what waits up to and with the next line end, and says how many bytes that were.
func (b *buffer) skipLine() (dropped uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for b.head < b.shown {
		c := b.ring[b.head%bufferSize]
		b.head++
		dropped++
		if c == '\n' {
			break
		}
	}
	return dropped
}

// close frees whoever waits in take.
func (b *buffer) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	b.wake()
}
