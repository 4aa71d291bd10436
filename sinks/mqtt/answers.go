package mqtt

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"sync"
	"time"

	"weighpost/gateway/record"
)

// answer says what became of a request.
type answer struct {
	Schema   string `json:"schema"`
	Request  string `json:"request,omitempty"` // the sender's own mark
	Accepted bool   `json:"accepted"`
	Why      string `json:"why,omitempty"` // where it was not
	// Again says that the request had been carried out before, and was not carried out again.
	Again bool `json:"again,omitempty"`
	// Context is what the balance held after the request. Absent where there is no such balance, or it is not read yet.
	Context *record.ContextView `json:"context,omitempty"`
	// Read is what the balance answered to a request for its weight.
	Read *record.ReadAnswer `json:"read,omitempty"`
	// Requests says what became of each request for a run, in the order in which they were sent.
	Requests []ordered `json:"requests,omitempty"`
}

const (
	answerSchema     = "weighpost.context-answer/1"
	readAnswerSchema = "weighpost.read-answer/1"
	runsAnswerSchema = "weighpost.requests-answer/1"
)

func (a answer) encode(what act) []byte {
	a.Schema = answerSchema
	switch what {
	case actRead:
		a.Schema = readAnswerSchema
	case actRuns:
		a.Schema = runsAnswerSchema
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(a); err != nil {
		panic("mqtt: an answer cannot be encoded: " + err.Error()) // only strings and times: cannot happen
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

// How long, and for how many requests, it is remembered what was answered.
const (
	markAge  = 10 * time.Minute
	markRoom = 1024
)

// marks remembers what was answered to requests that were carried out, so that one that comes again is not carried out
// again. What was refused changed nothing and is tried again.
type marks struct {
	mu   sync.Mutex
	list map[string]*mark
	next []*mark // oldest first
}

type mark struct {
	key    string
	at     time.Time
	sum    [sha256.Size]byte
	answer answer
}

func newMarks() marks { return marks{list: make(map[string]*mark)} }

// key tells requests apart: by the mark that the sender gave, within a balance; where it gave none, by all that was sent.
func (r request) key(given string) string {
	if given != "" {
		return r.balance + " " + given
	}
	sum := r.sum()
	return hex.EncodeToString(sum[:])
}

func (r request) sum() [sha256.Size]byte {
	return sha256.Sum256(append([]byte(r.topic+"\x00"), r.payload...))
}

// find gives what was answered to a request before, or nil. Without a mark of its sender a request is taken for one that
// came before only where the broker says so: two that are alike can both be meant.
func (m *marks) find(key string, r request, given string) *mark {
	if given == "" && !r.duplicate {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if known := m.list[key]; known != nil && time.Since(known.at) <= markAge {
		return known
	}
	return nil
}

func (m *marks) keep(k mark) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.list[k.key] = &k
	m.next = append(m.next, &k)
	for len(m.next) > markRoom || len(m.next) > 0 && time.Since(m.next[0].at) > markAge {
		if m.list[m.next[0].key] == m.next[0] {
			delete(m.list, m.next[0].key)
		}
		m.next = m.next[1:]
	}
}
