package secret

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

const (
	attemptsName = "attempts.log"
	mostAttempts = 64 << 20 // bytes
	forGood      = -1       // in place of a time: until somebody unlocks it
)

// mark is one line of attempts.log: how many failures an account counts after a restart. The last line of an account counts.
type mark struct {
	key    digest
	known  bool
	charge int   // failures in a row
	until  int64 // Unix seconds until when it is locked; 0: it is not; forGood
}

// line writes a mark, with a checksum of its own: a kill in the middle of one is told from damage.
func (m mark) line() string {
	known := "-"
	if m.known {
		known = "k"
	}
	s := fmt.Sprintf("%x %s %d %d", m.key[:], known, m.charge, m.until)
	return fmt.Sprintf("%s %08x\n", s, crc32.ChecksumIEEE([]byte(s)))
}

// parseMark is the inverse of line, without its line end.
func parseMark(s string) (mark, bool) {
	body, sum, ok := cutLast(s, " ")
	if !ok || fmt.Sprintf("%08x", crc32.ChecksumIEEE([]byte(body))) != sum {
		return mark{}, false
	}
	f := strings.Split(body, " ")
	if len(f) != 4 || len(f[0]) != 2*len(digest{}) {
		return mark{}, false
	}
	m := mark{known: f[1] == "k"}
	key, err := hex.DecodeString(f[0])
	if err != nil {
		return mark{}, false
	}
	copy(m.key[:], key)
	if m.charge, err = strconv.Atoi(f[2]); err != nil || m.charge < 0 || m.charge > mostFailures {
		return mark{}, false
	}
	if m.until, err = strconv.ParseInt(f[3], 10, 64); err != nil || m.until < forGood {
		return mark{}, false
	}
	return m, m.line() == s+"\n"
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// readMarks reads a file of marks. A last line that was not finished was never acted on, and is left out.
func readMarks(b []byte) (map[digest]mark, error) {
	all := map[digest]mark{}
	lines := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; lines.Scan(); n++ {
		m, ok := parseMark(lines.Text())
		if !ok {
			if rest := len(b) - bytes.LastIndexByte(b, '\n') - 1; rest > 0 && rest == len(lines.Bytes()) {
				break
			}
			return nil, fmt.Errorf("line %d is damaged", n)
		}
		all[m.key] = m
	}
	return all, lines.Err()
}

// attempts is the file of the counts: lines are added to it, and now and then it is written anew.
type attempts struct {
	path  string
	f     *os.File
	lines int
}

// openAttempts reads the file, if there is one. rewrite must follow before anything is added.
func openAttempts(dir string) (*attempts, map[digest]mark, error) {
	a := &attempts{path: filepath.Join(dir, attemptsName)}
	b, err := readOwn(a.path, mostAttempts)
	if errors.Is(err, fs.ErrNotExist) {
		return a, nil, nil
	}
	var all map[digest]mark
	if err == nil {
		all, err = readMarks(b)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("the counts of failed attempts, %s: %w: move the file away to begin them anew, and look at which accounts should stay locked", a.path, err)
	}
	return a, all, nil
}

// rewrite puts a file with these marks in the place of the one that is there.
func (a *attempts) rewrite(all []mark) error {
	var b strings.Builder
	for _, m := range all {
		b.WriteString(m.line())
	}
	if _, err := replaceFile(a.path, []byte(b.String())); err != nil {
		return fmt.Errorf("the counts of failed attempts cannot be written to %s: %w", a.path, err)
	}
	f, err := os.OpenFile(a.path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return fmt.Errorf("the counts of failed attempts in %s cannot be added to: %w", a.path, err)
	}
	if a.f != nil {
		_ = a.f.Close() // the file that was replaced
	}
	a.f, a.lines = f, len(all)
	return nil
}

// add writes one mark. Unless it is made durable it outlasts a kill, not a power cut.
func (a *attempts) add(m mark, durable bool) error {
	_, err := a.f.WriteString(m.line())
	if err == nil && durable {
		err = a.f.Sync()
	}
	if err != nil {
		a.lines = 1 << 30 // half a line may be there: the next one is preceded by writing the file anew
		return fmt.Errorf("the counts of failed attempts cannot be written to %s (is the disk full?), and without them nobody may try: %w", a.path, err)
	}
	a.lines++
	return nil
}

func (a *attempts) close() error {
	if a.f == nil {
		return nil
	}
	return a.f.Close()
}
