package report

import (
	"fmt"
	"net/url"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// Root is the Merkle tree hash of entries' bytes in their order (RFC 6962, section 2.1), in hexadecimal after "sha256:".
func Root(entries []record.Entry) string {
	texts := make([][]byte, len(entries))
	for i, e := range entries {
		texts[i] = e.JSON
	}
	return signature.Root(texts)
}

// Ranges lists sequences as people do: "4, 7 to 12".
func Ranges(entries []record.Entry) string {
	var parts []string
	for i := 0; i < len(entries); {
		j := i
		for j+1 < len(entries) && entries[j+1].Seq == entries[j].Seq+1 {
			j++
		}
		if j == i {
			parts = append(parts, fmt.Sprint(entries[i].Seq))
		} else {
			parts = append(parts, fmt.Sprintf("%d to %d", entries[i].Seq, entries[j].Seq))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

// proof says which entries the report tells of, and binds it to them.
func (t *Told) proof(kind, about string) Section {
	s := Section{Name: "Proof"}
	if len(t.Entries) == 0 {
		s.Notes = []string{"The report tells of no entry: there is nothing that could be proved."}
		return s
	}
	last, root := t.Entries[len(t.Entries)-1], Root(t.Entries)
	s.Facts = []Fact{{"Entries told of", fmt.Sprint(len(t.Entries))}, {"Their sequences", Ranges(t.Entries)}, {"The last of them", last.ID},
		{"Root (RFC 6962, SHA-256)", root}, {"Template", fmt.Sprintf("%s, %s", t.Template.Name, t.Template.Hash())}, {"To have the proof of one", "weighpost journal prove " + last.ID}}
	s.Code = t.codeText(kind, about, root)
	s.Notes = []string{"The root is worked out over the bytes of these entries, as the journal has them, in the order of their sequences. Whoever has the entries can work it out anew: " +
		"another root means other entries. That the journal itself was not changed is shown by its signed checkpoints (weighpost journal verify)."}
	return s
}

// codeText is what the QR code says: fields as in the query of an address, so that nothing in an id can pass for another field.
func (t *Told) codeText(kind, about, root string) string {
	parts := []string{"weighpost-report=1", "site=" + url.QueryEscape(t.Site), kind + "=" + url.QueryEscape(about),
		fmt.Sprintf("entries=%d", len(t.Entries)), fmt.Sprintf("last=%d", t.Entries[len(t.Entries)-1].Seq), "root=" + root}
	if t.Number != "" {
		parts = append(parts, "report="+url.QueryEscape(t.Number))
	}
	return strings.Join(parts, "&")
}
