// Package conform is test support: while the tests of a package run, every exchange with an API that describes itself is judged
// by that description, with a validator that is not ours (pb33f/libopenapi-validator).
package conform

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
)

const (
	document = "/api/v1/openapi.json"
	prefix   = "/api/v1/"
	largest  = 16 << 20
)

// Judge is a transport that looks at what passes. It changes nothing that passes.
type Judge struct {
	Base http.RoundTripper

	mu     sync.Mutex
	hosts  map[string]func() *described // by scheme and address; nil: it does not describe itself
	texts  map[[32]byte]func() (*described, error)
	faults map[string]int
	judged int
}

// described is one description.
type described struct {
	mu sync.Mutex // the validator is used by one goroutine at a time
	v  validator.Validator
	// kinds are the media types of the answers that each operation has: by "GET /api/v1/…", then by the status.
	kinds map[string]map[string][]string
}

// New makes a judge in front of a transport.
func New(base http.RoundTripper) *Judge {
	return &Judge{Base: base, hosts: map[string]func() *described{}, texts: map[[32]byte]func() (*described, error){}, faults: map[string]int{}}
}

// RoundTrip passes a request on, and judges the answer.
func (j *Judge) RoundTrip(r *http.Request) (*http.Response, error) { return j.pass(j.Base, r) }

// pass has a request answered by base, and judges the answer.
func (j *Judge) pass(base http.RoundTripper, r *http.Request) (*http.Response, error) {
	if !judgeable(r) {
		return base.RoundTrip(r)
	}
	d := j.describedAt(base, r.URL)
	resp, err := base.RoundTrip(r)
	if err != nil || d == nil {
		return resp, err
	}
	kind, _, _ := mime.ParseMediaType(resp.Header.Get("Content-Type"))
	var body []byte
	if kind == "application/json" || kind == "application/problem+json" {
		if body, err = io.ReadAll(io.LimitReader(resp.Body, largest)); err != nil {
			resp.Body = &broken{Reader: bytes.NewReader(body), err: err, c: resp.Body}
			return resp, nil
		}
		resp.Body.Close()
		resp.Body = io.NopCloser(bytes.NewReader(body))
	}
	j.judge(d, r, resp, kind, body)
	return resp, nil
}

// judgeable says whether a request is for something that a description describes. HEAD is as GET without a body, and OPTIONS
// describes no operation.
func judgeable(r *http.Request) bool {
	methods := []string{http.MethodGet, http.MethodPut, http.MethodPost, http.MethodPatch, http.MethodDelete}
	return strings.HasPrefix(r.URL.Path, prefix) && !strings.HasPrefix(r.URL.Path, prefix+"openapi") && slices.Contains(methods, r.Method)
}

// broken gives what came of a body that broke off, and then the error.
type broken struct {
	io.Reader
	err error
	c   io.Closer
}

func (b *broken) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == io.EOF {
		err = b.err
	}
	return n, err
}

func (b *broken) Close() error { return b.c.Close() }

// judge holds one answer against the description. Of an answer that is no JSON, such as a stream, only the head is judged.
func (j *Judge) judge(d *described, r *http.Request, resp *http.Response, kind string, body []byte) {
	where := r.Method + " " + r.URL.Path
	answers := d.answersOf(r)
	if answers == nil { // there is no such operation, and a problem says so
		if kind != "application/problem+json" || resp.StatusCode < 400 {
			j.fault(where, fmt.Sprintf("%d %s, and it is no operation of the description", resp.StatusCode, kind))
		}
		return
	}
	j.count()
	kinds, found := answers[strconv.Itoa(resp.StatusCode)]
	switch {
	case !found:
		j.fault(where, fmt.Sprintf("the description has no answer %d: %.300s", resp.StatusCode, body))
	case len(kinds) == 0 && kind == "" && len(body) == 0:
	case !slices.Contains(kinds, kind):
		j.fault(where, fmt.Sprintf("%d is described as %v, and comes as %q", resp.StatusCode, kinds, kind))
	case body != nil && len(bytes.TrimSpace(body)) == 0:
		j.fault(where, fmt.Sprintf("%d is described as %v, and nothing comes", resp.StatusCode, kinds))
	case body != nil:
		for _, text := range d.wrong(r, resp, body) {
			j.fault(where, fmt.Sprintf("%d: %s\n\t%.400s", resp.StatusCode, text, body))
		}
	}
}

// wrong says what is not as described in an answer with a body.
func (d *described) wrong(r *http.Request, resp *http.Response, body []byte) (list []string) {
	copied := *resp
	copied.Body = io.NopCloser(bytes.NewReader(body))
	asked := r.Clone(r.Context())
	asked.Body = nil // it went out
	d.mu.Lock()
	defer d.mu.Unlock()
	ok, errs := d.v.ValidateHttpResponse(asked, &copied)
	if ok {
		return nil
	}
	for _, e := range errs {
		text := e.Message + ": " + e.Reason
		for _, s := range e.SchemaValidationErrors {
			text += "; " + s.Reason + " at " + s.FieldPath
		}
		list = append(list, text)
	}
	return list
}

func (j *Judge) count() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.judged++
}

func (j *Judge) fault(where, what string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.faults[where+": "+what]++
}

// CloseIdleConnections closes those of what is behind.
func (j *Judge) CloseIdleConnections() {
	if c, ok := j.Base.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}

// describedAt gets the description of whatever a request goes to, once. It is asked for without a token: whoever tries one that is
// wrong is still told about the token, and about nothing else.
func (j *Judge) describedAt(base http.RoundTripper, u *url.URL) *described {
	at := url.URL{Scheme: u.Scheme, Host: u.Host, Path: document}
	j.mu.Lock()
	get := j.hosts[at.String()]
	if get == nil {
		get = sync.OnceValue(func() *described { return j.fetch(base, at.String()) })
		j.hosts[at.String()] = get
	}
	j.mu.Unlock()
	return get()
}

// fetch gets a description. The same text is read once.
func (j *Judge) fetch(base http.RoundTripper, from string) *described {
	resp, err := (&http.Client{Transport: base, Timeout: time.Minute}).Get(from)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, largest))
	if err != nil || resp.StatusCode != http.StatusOK {
		return nil
	}
	sum := sha256.Sum256(text)
	j.mu.Lock()
	parse := j.texts[sum]
	if parse == nil {
		parse = sync.OnceValues(func() (*described, error) { return read(text) })
		j.texts[sum] = parse
	}
	j.mu.Unlock()
	d, err := parse()
	if err != nil {
		j.fault(document, err.Error())
		return nil
	}
	return d
}

// read reads a description, and says what a validator that is not ours finds wrong with it.
func read(text []byte) (*described, error) {
	doc, err := libopenapi.NewDocument(text)
	if err != nil {
		return nil, err
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		return nil, fmt.Errorf("%v", errs)
	}
	if ok, errs := v.ValidateDocument(); !ok {
		var all []string
		for _, e := range errs {
			all = append(all, e.Error())
		}
		return nil, fmt.Errorf("the document is not valid: %s", strings.Join(all, "; "))
	}
	kinds, err := kindsOf(doc)
	return &described{v: v, kinds: kinds}, err
}

// Document says what the validator finds wrong with a description, or nil.
func Document(text []byte) error {
	_, err := read(text)
	return err
}

// kindsOf reads which answers each operation has, to tell an answer that is not described from one that is not as described.
func kindsOf(doc libopenapi.Document) (map[string]map[string][]string, error) {
	model, err := doc.BuildV3Model()
	if err != nil {
		return nil, err
	}
	list := map[string]map[string][]string{}
	for path, item := range model.Model.Paths.PathItems.FromOldest() {
		for method, op := range item.GetOperations().FromOldest() {
			answers := map[string][]string{}
			for code, resp := range op.Responses.Codes.FromOldest() {
				answers[code] = nil
				if resp.Content != nil {
					answers[code] = slices.Collect(resp.Content.KeysFromOldest())
				}
			}
			list[strings.ToUpper(method)+" "+path] = answers
		}
	}
	return list, nil
}

// answersOf are the answers of the operation that a request is for; nil: there is no such operation.
func (d *described) answersOf(r *http.Request) map[string][]string {
	best := ""
	for key := range d.kinds {
		if method, path, _ := strings.Cut(key, " "); method == r.Method && fits(path, r.URL.EscapedPath()) &&
			(best == "" || strings.Count(path, "{") < strings.Count(best, "{")) {
			best = key
		}
	}
	return d.kinds[best]
}

// fits says whether a path is one of a template's.
func fits(template, path string) bool {
	a, b := strings.Split(template, "/"), strings.Split(path, "/")
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] && !(strings.HasPrefix(a[i], "{") && b[i] != "") {
			return false
		}
	}
	return true
}

// Main runs the tests of a package with every request of http.DefaultClient, and of whoever takes its transport, judged. It fails
// when an answer was not as described, or when fewer than Least were judged in a run of all tests. It has the form that goleak takes.
type Main struct {
	M     interface{ Run() int }
	Least int
}

// Run runs them.
func (m Main) Run() int {
	j := New(http.DefaultTransport)
	http.DefaultClient.Transport, running = j, j
	code := m.M.Run()
	http.DefaultClient.Transport, running = nil, nil
	j.CloseIdleConnections()
	faults, judged := j.Faults()
	for _, f := range faults {
		fmt.Fprintln(os.Stderr, "not as the API's own description says:", f)
		code = max(code, 1)
	}
	if all := flag.Lookup("test.run").Value.String() == "" && flag.Lookup("test.list").Value.String() == "" && !testing.Short(); all && code == 0 && judged < m.Least {
		fmt.Fprintf(os.Stderr, "only %d answers were held against the API's description: the judge's transport is not used\n", judged)
		code = 1
	}
	return code
}

// running is the judge of the tests that run, if any. It is set before they begin.
var running *Judge

// Through has what passes a test's own transport judged as well, while Main runs.
func Through(base http.RoundTripper) http.RoundTripper {
	if running == nil {
		return base
	}
	return through{base, running}
}

// through is a transport beside that of the judge.
type through struct {
	http.RoundTripper
	j *Judge
}

func (t through) RoundTrip(r *http.Request) (*http.Response, error) {
	return t.j.pass(t.RoundTripper, r)
}

// CloseIdleConnections closes those of what is behind.
func (t through) CloseIdleConnections() { (&Judge{Base: t.RoundTripper}).CloseIdleConnections() }

// Faults are the answers that were not as described, each with how often it came, and how many were judged.
func (j *Judge) Faults() (list []string, judged int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, f := range slices.Sorted(maps.Keys(j.faults)) {
		list = append(list, fmt.Sprintf("%d times: %s", j.faults[f], f))
	}
	return list, j.judged
}
