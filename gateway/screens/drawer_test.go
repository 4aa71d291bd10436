package screens

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"golang.org/x/net/html"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// drawer is a journal in memory, which is searched as the real one is.
type drawer struct {
	mu      sync.Mutex
	entries []record.Entry
	numbers map[string]int
	wrong   error // what every list fails with
	uncover uint64
	deliver []console.DeliveryOf
}

// add puts an entry into the drawer, with the rest of its JSON.
func (s *drawer) add(t testing.TB, kind record.Kind, balance, rest string) record.Entry {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	seq := uint64(len(s.entries) + 1)
	n, at := seq, ""
	if kind.Numbered() {
		if s.numbers == nil {
			s.numbers = map[string]int{}
		}
		s.numbers[balance]++
		n, at = uint64(s.numbers[balance]), balance
	}
	raw := fmt.Sprintf(`{"schema":%q,"id":%q,"seq":%d,"site":"seed-bank"`, kind.Schema(), record.EntryID("seed-bank", "7qx3", at, n), seq)
	if balance != "" {
		raw += `,"balance":{"id":` + quoted(balance) + `}`
	}
	if rest != "" {
		raw += "," + rest
	}
	e, err := record.ParseEntry([]byte(raw + "}"))
	if err != nil {
		t.Fatal(err)
	}
	s.entries = append(s.entries, e)
	return e
}

func quoted(text string) string {
	b, _ := json.Marshal(text)
	return string(b)
}

func stampAt(minute int, clock string) string {
	return fmt.Sprintf(`"stamp":{"utc":"2026-11-25T10:%02d:05.123456Z","zone":"+00:00","bound_s":0.021,"clock":%q,"sources":3}`, minute%60, clock)
}

// weighing puts one into the drawer.
func (s *drawer) weighing(t testing.TB, balance, digits, sample string, minute int) record.Entry {
	return s.add(t, record.KindWeighing, balance, fmt.Sprintf(`"value":{"digits":%q,"unit":"g","printed_unit":"g","kind":"net","stability":"stable","range":"in","auxiliary_digits":0},`+
		`"frame":%q,"layout":"sha256:0a0b","trigger":"printed","port":"/dev/ttyUSB0",%s,"context":{"person":{"id":"p-07","by":"signed-in","name":"Ada Quill","how":"badge"},"sample":{"id":%s,"by":"scanned"},`+
		`"method":null,"run":null,"lot":null,"fields":{}},"verdicts":[{"rule":"minimum-weight","pass":true,"limit":"0.0820 g"}],"fitness":{"state":"in service"},"software":{"version":"test","config":"sha256:1"}`,
		digits, base64.StdEncoding.EncodeToString([]byte("N  "+digits+" g\r\n")), stampAt(minute, "checked"), quoted(sample)))
}

func (s *drawer) Head() uint64 { return uint64(len(s.entries)) }

func (s *drawer) Read(_ context.Context, after uint64, n int) ([]record.Entry, error) {
	return s.entries[min(after, s.Head()):min(after+uint64(n), s.Head())], nil
}

func (s *drawer) EntryParameters() []console.ExportParameter { return nil }

func (s *drawer) ListEntries(ctx context.Context, q url.Values) (console.EntryList, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.wrong != nil {
		return console.EntryList{}, s.wrong
	}
	f, err := index.ParseQuery(q, append([]string{"since_review"}, index.PageNames...)...)
	if err != nil {
		return console.EntryList{}, &record.RequestRefused{Why: err.Error()}
	}
	p, err := index.ParsePage(q)
	if err != nil {
		return console.EntryList{}, &record.RequestRefused{Why: err.Error()}
	}
	l := index.Lister{Source: s}
	if q.Get("since_review") == "true" {
		if f, err = l.SinceReview(ctx, f, &p); err != nil {
			return console.EntryList{}, err
		}
	}
	page, err := l.List(ctx, f, p)
	if err != nil {
		return console.EntryList{}, &record.RequestRefused{Why: err.Error()}
	}
	a := console.EntryList{Next: page.Next, Indexed: page.Head, Head: page.Head, Filter: f.String()}
	for _, e := range page.Entries {
		a.Entries = append(a.Entries, e.JSON)
	}
	if p.Count {
		a.Count = &page.Count
	}
	return a, nil
}

func (s *drawer) EntryByID(_ context.Context, id string) (console.OneEntry, error) {
	for _, e := range s.entries {
		if e.ID == id {
			return console.OneEntry{Entry: e.JSON, Seq: e.Seq, Head: s.Head()}, nil
		}
	}
	return console.OneEntry{}, console.ErrNoEntry
}

func (s *drawer) Reviews(ctx context.Context) (all []json.RawMessage, err error) {
	list, err := index.Lister{Source: s}.ReviewEntries(ctx)
	for _, e := range list {
		all = append(all, e.JSON)
	}
	return all, err
}

func (s *drawer) Review(context.Context, record.ReviewRequest, record.Actor) (json.RawMessage, error) {
	return nil, nil
}

func (s *drawer) ProofOf(_ context.Context, seq uint64, _ bool) (console.Proof, error) {
	if seq > s.uncover && s.uncover > 0 {
		return console.Proof{}, console.ErrNotCovered
	}
	return console.Proof{File: []byte("x"), Leaf: strings.Repeat("1f", 32), Index: seq - 1, Size: s.Head(), Hashes: []string{strings.Repeat("2e", 32)},
		Root: strings.Repeat("3d", 32), Key: "weighpost/seed-bank/7qx3+0a1b2c3d", Note: "weighpost/seed-bank/7qx3\n" + strconv.Itoa(len(s.entries))}, nil
}

func (s *drawer) FirstProofOf(ctx context.Context, seq uint64) (console.Proof, error) {
	return s.ProofOf(ctx, seq, true)
}

func (s *drawer) DeliveriesOf(context.Context, uint64) ([]console.DeliveryOf, error) {
	return s.deliver, nil
}

func (s *drawer) ExportParameters() []console.ExportParameter { return nil }
func (s *drawer) Export(context.Context, url.Values) (console.Download, error) {
	return console.Download{}, nil
}

// elements finds elements of a page: all of a name that have every one of the attributes, as name=value.
func elements(t testing.TB, page, name string, attributes ...string) (found []*html.Node) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode || n.Data != name {
			continue
		}
		fits := true
		for _, a := range attributes {
			key, value, _ := strings.Cut(a, "=")
			fits = fits && slices.ContainsFunc(n.Attr, func(x html.Attribute) bool { return x.Key == key && (x.Val == value || value == "") })
		}
		if fits {
			found = append(found, n)
		}
	}
	return found
}

// said is the text of an element.
func said(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func attribute(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// mainText is the text of a page's main part.
func mainText(t testing.TB, page string) string {
	t.Helper()
	main := elements(t, page, "main")
	if len(main) != 1 {
		t.Fatalf("%d main parts: %.300s", len(main), page)
	}
	return said(main[0])
}
