package archive

import (
	"context"
	"encoding/json"
	"strings"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// trusted are the keys of the configuration, by their text.
type trusted map[string]note.Verifier

// keyText is the text of a key: NAME+HASH+BASE64 without space around it.
func keyText(text string) string { return strings.TrimSpace(text) }

// vouch takes note of the key that an entry of a journal hands over to, where the key before is one that is trusted. Both have to be of
// the journal's own site, and the new one of the journal itself: no gateway speaks for another. An entry whose note does not hold adds
// nothing: checkpoints of the key that it names are then of an unknown one.
func (c trusted) vouch(ctx context.Context, tx pgx.Tx, site, origin string, t turning) error {
	var k record.KeyRotated
	if err := json.Unmarshal(t.raw, &k); err != nil || k.Note == "" {
		return nil
	}
	old, err := c.find(ctx, tx, keyText(k.OldKey), 0)
	if err != nil || old == nil {
		return err
	}
	from, _, err := splitOrigin(old.Name())
	if err != nil || from != site {
		return nil
	}
	next, err := proof.OpenVouch([]byte(k.Note), old)
	if err != nil || next != keyText(k.NewKey) {
		return nil
	}
	if key, err := parseGatewayKey(next); err != nil || key.Name() != origin {
		return nil
	}
	_, err = tx.Exec(ctx, "INSERT INTO archive.keys (key, vouched, entry) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", next, keyText(k.OldKey), t.id)
	return err
}

// mostVouched is how many changes of key are followed.
const mostVouched = 1000

// find gives a key that is in the configuration, or to which one that is leads; nil: none does.
func (c trusted) find(ctx context.Context, tx pgx.Tx, text string, depth int) (note.Verifier, error) {
	if key, ok := c[text]; ok {
		return key, nil
	}
	if depth > mostVouched {
		return nil, nil
	}
	var before string
	switch err := tx.QueryRow(ctx, "SELECT vouched FROM archive.keys WHERE key = $1", text).Scan(&before); {
	case err == pgx.ErrNoRows:
		return nil, nil
	case err != nil:
		return nil, err
	}
	if key, err := c.find(ctx, tx, before, depth+1); err != nil || key == nil {
		return nil, err
	}
	return parseGatewayKey(text)
}

// of gives the keys that may sign checkpoints of an origin.
func (c trusted) of(ctx context.Context, tx pgx.Tx, origin string) (keys []note.Verifier, err error) {
	for _, key := range c {
		if key.Name() == origin {
			keys = append(keys, key)
		}
	}
	rows, err := tx.Query(ctx, "SELECT key FROM archive.keys WHERE starts_with(key, $1)", origin+"+")
	if err != nil {
		return nil, err
	}
	texts, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, err
	}
	for _, text := range texts {
		key, err := c.find(ctx, tx, text, 0)
		if err != nil {
			return nil, err
		}
		if key != nil {
			keys = append(keys, key)
		}
	}
	return keys, nil
}
