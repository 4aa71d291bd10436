package http

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Requests are signed as Standard Webhooks 1.0.0 has it ("Signature scheme", "Webhook headers"): HMAC-SHA256 over the id, the time of
// the attempt in seconds since 1970 and the body, with a full stop between each. The id is the same at every attempt and the time is
// not: a receiver takes nothing whose time is more than its window away from its own clock (five minutes is usual), and nothing whose
// id it has seen within that window.
const (
	headerID        = "Webhook-Id"
	headerTime      = "Webhook-Timestamp"
	headerSignature = "Webhook-Signature"

	secretPrefix = "whsec_"
	// Standard Webhooks 1.0.0: a secret is random and has 192 to 512 bits.
	leastSecret, mostSecret = 24, 64
	mostSecrets             = 5 // ours: two are enough for a change
)

// signingKeys reads the secrets, newest first. Errors say which line is wrong, and nothing of what it holds.
func (s *Sink) signingKeys() ([][]byte, error) {
	if s.cfg.Sign.IsZero() {
		return nil, nil
	}
	text, err := s.cfg.Sign.Resolve()
	if err != nil {
		return nil, err
	}
	var keys [][]byte
	for i, one := range strings.Fields(string(text)) {
		key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(one, secretPrefix))
		switch {
		case err != nil:
			return nil, fmt.Errorf("%s: number %d is no secret for signing: it is to be %s and base64", s.cfg.Sign, i+1, secretPrefix)
		case len(key) < leastSecret || len(key) > mostSecret:
			return nil, fmt.Errorf("%s: number %d has %d bytes: %d to %d are allowed", s.cfg.Sign, i+1, len(key), leastSecret, mostSecret)
		}
		keys = append(keys, key)
	}
	if len(keys) == 0 || len(keys) > mostSecrets {
		return nil, fmt.Errorf("%s: there are %d secrets for signing: 1 to %d are allowed", s.cfg.Sign, len(keys), mostSecrets)
	}
	return keys, nil
}

// sign adds the signatures of an attempt that is made now.
func sign(h http.Header, id string, now time.Time, body []byte, keys [][]byte) {
	if len(keys) == 0 {
		return
	}
	h.Set(headerID, id)
	h.Set(headerTime, strconv.FormatInt(now.Unix(), 10))
	h.Set(headerSignature, signatures(id, now, body, keys))
}

// signatures gives one for each key, as the header has them: while a secret is exchanged, receivers that know the old one and those that
// know the new one both find theirs.
func signatures(id string, now time.Time, body []byte, keys [][]byte) string {
	list := make([]string, len(keys))
	front := []byte(id + "." + strconv.FormatInt(now.Unix(), 10) + ".")
	for i, key := range keys {
		mac := hmac.New(sha256.New, key)
		mac.Write(front)
		mac.Write(body)
		list[i] = "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	return strings.Join(list, " ")
}

// messageID names what a request carries: the id of its entry, or the ids of the first and the last with a colon between. What could
// shift the parts of what is signed, a full stop above all, is written as % with two hex digits.
func messageID(batch []record.Entry) string {
	id := plainID(batch[0].ID)
	if len(batch) > 1 {
		id += ":" + plainID(batch[len(batch)-1].ID)
	}
	return id
}

func plainID(id string) string {
	var b strings.Builder
	b.Grow(len(id))
	for i := range len(id) {
		switch c := id[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '/', c == '-', c == '_', c == '@':
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}
