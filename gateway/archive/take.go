package archive

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"weighpost/gateway/proof"
)

// message is what came from the stream.
type message struct {
	subject string
	place   int64 // its sequence in the stream
	body    []byte
	late    bool
}

// head is a checkpoint as it came.
type head struct {
	site, incarnation string
	digest            []byte
	size, place       int64
	note              []byte
}

// oddity is a message that is kept as evidence and as nothing else.
type oddity struct {
	message
	what string
}

// batch is what messages turned out to be.
type batch struct {
	rows     []row
	heads    []head
	oddities []oddity
}

// cosignedToken ends the subjects of what the archive itself publishes.
const cosignedToken = "cosigned"

// read finds out what each message is. Subjects are as package sinks/nats names them.
func read(messages []message, prefix string) (b batch) {
	for _, m := range messages {
		token := strings.Split(strings.TrimPrefix(m.subject, prefix+"."), ".")
		switch {
		case len(token) == 2 && token[1] == cosignedToken: // our own
		case len(token) == 2 && token[1] == "checkpoint":
			h, err := headOf(m, token[0])
			if err != nil {
				b.oddities = append(b.oddities, oddity{m, err.Error()})
				continue
			}
			b.heads = append(b.heads, h)
		case len(token) == 3:
			r, err := rowOf(m.body, token[0])
			if err != nil {
				b.oddities = append(b.oddities, oddity{m, err.Error() +
					". Sinks that feed an archive publish in the format json, which has the exact bytes"})
				continue
			}
			r.late, r.subject, r.place = m.late, m.subject, m.place
			b.rows = append(b.rows, r)
		default:
			b.oddities = append(b.oddities, oddity{m, "a message under a subject that no gateway has"})
		}
	}
	return b
}

func headOf(m message, site string) (head, error) {
	c, err := proof.Peek(m.body)
	if err != nil {
		return head{}, fmt.Errorf("a checkpoint cannot be read: %w", err)
	}
	sum := sha256.Sum256(m.body)
	h := head{digest: sum[:], size: int64(c.Size), place: m.place, note: m.body}
	if h.site, h.incarnation, err = splitOrigin(c.Origin); err != nil {
		return h, fmt.Errorf("a checkpoint of %.80q cannot be used: %w", c.Origin, err)
	}
	if h.site != site {
		return h, fmt.Errorf("a checkpoint of %.80q was published as one of the site %.80q", c.Origin, site)
	}
	return h, nil
}
