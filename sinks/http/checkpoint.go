package http

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net/http"

	"weighpost/sinks"
)

// publisher is a sink that also sends the journal's signed checkpoints: one whose configuration says where to.
type publisher struct{ *Sink }

// Checkpoint sends one signed note (C2SP tlog-checkpoint) by POST, exactly as it is, as text in UTF-8. What the server answers
// means the same as for an entry, but that nothing is ever parked: the next checkpoint covers what this one does.
func (p publisher) Checkpoint(ctx context.Context, signedNote []byte) error {
	if err := p.connect(); err != nil {
		return sinks.Unusable{Err: err}
	}
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Timeout.D())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.cfg.Checkpoints, bytes.NewReader(signedNote))
	if err != nil {
		return errors.New("the address for checkpoints cannot be used")
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	req.Header.Set("User-Agent", "weighpost")
	if sameServer(p.cfg.Checkpoints, p.cfg.URL) {
		if err := p.prove(ctx, req.Header, noteID(signedNote), signedNote); err != nil {
			return err
		}
	}
	answer, err := p.client.Do(req)
	if err != nil {
		return p.unanswered(err)
	}
	defer answer.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(answer.Body, maxDrain))
	err = judge(answer, said)
	var unusable sinks.Unusable
	if errors.As(err, &unusable) { // credentials may have been renewed
		p.renew()
	}
	return err
}

// noteID is made of the bytes of a note: it is the same at every attempt.
func noteID(signedNote []byte) string {
	sum := sha256.Sum256(signedNote)
	return "checkpoint-" + hex.EncodeToString(sum[:16])
}
