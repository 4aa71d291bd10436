package bundle

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// longestLine is how long a line of a bundle may be, in bytes.
const longestLine = 64 << 20

// errCut says that a part does not end with a line end.
var errCut = errors.New("its last line is cut off")

// linesOf gives the lines of a part without their ends, each exactly as it is.
func linesOf(r io.Reader) *bufio.Scanner {
	s := bufio.NewScanner(r)
	s.Buffer(nil, longestLine)
	s.Split(func(data []byte, end bool) (int, []byte, error) {
		if i := bytes.IndexByte(data, '\n'); i >= 0 {
			return i + 1, data[:i], nil
		}
		if end && len(data) > 0 {
			return 0, nil, errCut
		}
		return 0, nil, nil
	})
	return s
}

// entryLines reads entries.ndjson, one entry ahead.
type entryLines struct {
	ctx   context.Context // of the one pass
	lines *bufio.Scanner
	ahead record.Entry
	over  bool
	n     uint64 // entries read
	ended error
}

// readEntries begins. A fault of the part is in ended once over.
func readEntries(ctx context.Context, r io.Reader) *entryLines {
	l := &entryLines{ctx: ctx, lines: linesOf(r)}
	l.advance()
	return l
}

func (l *entryLines) advance() {
	before := l.ahead.Seq
	switch {
	case l.over:
	case l.ctx.Err() != nil:
		l.over, l.ended = true, l.ctx.Err()
	case !l.lines.Scan():
		l.over, l.ended = true, l.lines.Err()
	default:
		var err error
		if l.ahead, err = record.ParseEntry(bytes.Clone(l.lines.Bytes())); err != nil {
			l.over, l.ended = true, fmt.Errorf("line %d is no entry: %w", l.n+1, err)
		} else if l.ahead.Seq <= before {
			l.over, l.ended = true, fmt.Errorf("line %d is entry %d, which does not come after entry %d", l.n+1, l.ahead.Seq, before)
		}
	}
}

// next gives an entry, or io.EOF after the last.
func (l *entryLines) next() (e record.Entry, err error) {
	if l.over {
		if l.ended != nil {
			return e, l.ended
		}
		return e, io.EOF
	}
	e = l.ahead
	l.n++
	l.advance()
	return e, nil
}

// upcoming is the sequence of the entry that next gives.
func (l *entryLines) upcoming() uint64 {
	if l.over {
		return math.MaxInt64
	}
	return l.ahead.Seq
}

// hashOf reads a line of tree.txt, and only as it is written.
func hashOf(line []byte) (h tlog.Hash, err error) {
	raw, err := base64.StdEncoding.Strict().DecodeString(string(line))
	if err != nil || len(raw) != tlog.HashSize || bytes.ContainsAny(line, "\r") {
		return h, fmt.Errorf("%.60q is no tree hash", line)
	}
	copy(h[:], raw)
	return h, nil
}

// growing is the root of a tree that leaves are appended to (RFC 6962 section 2.1): its complete subtrees, the largest first.
type growing struct {
	size uint64
	part []tlog.Hash
}

func (g *growing) add(leaf tlog.Hash) {
	for n := g.size; n&1 == 1; n >>= 1 {
		last := len(g.part) - 1
		leaf, g.part = tlog.NodeHash(g.part[last], leaf), g.part[:last]
	}
	g.part = append(g.part, leaf)
	g.size++
}

func (g *growing) root() (h tlog.Hash) {
	for i := len(g.part) - 1; i >= 0; i-- {
		if h = tlog.NodeHash(g.part[i], h); i == len(g.part)-1 {
			h = g.part[i]
		}
	}
	return h
}
