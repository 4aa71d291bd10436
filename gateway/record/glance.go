package record

import "bytes"

// How every weighing begins: that is how encoding/json writes Head and the description of the balance.
var (
	weighingBegins = []byte(`{"schema":"` + string(schemaPrefix) + string(KindWeighing) + schemaVersion + `","id":"`)
	seqFollows     = []byte(`","seq":`)
	siteFollows    = []byte(`,"site":"`)
	balanceFollows = []byte(`","balance":{"id":"`)
)

// GlanceWeighing reads the head of a weighing from its first bytes and does not look at the rest. It is for whoever knows by its
// hash that these are the bytes that a journal wrote, and has many to go through. What does not begin exactly as a journal
// writes a weighing is left to ParseEntry: ok is false then. It keeps, and does not copy, the bytes.
func GlanceWeighing(raw []byte) (e Entry, ok bool) {
	rest, ok := bytes.CutPrefix(raw, weighingBegins)
	if !ok {
		return e, false
	}
	id, rest := name(rest)
	if rest, ok = bytes.CutPrefix(rest, seqFollows); !ok {
		return e, false
	}
	seq, digits := uint64(0), 0
	for digits < len(rest) && digits < 19 && rest[digits] >= '0' && rest[digits] <= '9' {
		seq = 10*seq + uint64(rest[digits]-'0')
		digits++
	}
	if digits == 0 || rest[0] == '0' {
		return e, false
	}
	if rest, ok = bytes.CutPrefix(rest[digits:], siteFollows); !ok {
		return e, false
	}
	site, rest := name(rest)
	if rest, ok = bytes.CutPrefix(rest, balanceFollows); !ok {
		return e, false
	}
	balance, rest := name(rest)
	if len(id) == 0 || len(site) == 0 || len(balance) == 0 || len(rest) < 2 || rest[0] != '"' ||
		rest[1] != ',' && rest[1] != '}' {
		return e, false
	}
	return Entry{Seq: seq, Kind: KindWeighing, ID: string(id), Balance: string(balance), JSON: raw}, true
}

// name cuts off the letters, digits and signs of which names and ids are made (see CheckName), which JSON never escapes.
func name(b []byte) (name, rest []byte) {
	n := 0
	for n < len(b) && (b[n] >= 'a' && b[n] <= 'z' || b[n] >= '0' && b[n] <= '9' || b[n] == '-' || b[n] == '/') {
		n++
	}
	return b[:n], b[n:]
}
