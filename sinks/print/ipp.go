package print

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/OpenPrinting/goipp"

	"weighpost/sinks"
)

// printer speaks IPP (RFC 8010, 8011) to a printer or a print server. It remembers the job of the entry that is under way, so
// that a job which waits for paper is waited for and not sent again.
type printer struct {
	cfg    *Config
	uri    string // as requests name the printer
	post   string // where they go
	client *http.Client
	number uint32

	entry string // the entry that has a job,
	job   int    // and which
	who   string // what the printer calls it
	anew  string // the entry that was sent a second time, since the printer had forgotten its job
	stray time.Duration
	idle  time.Time // since when the printer has had nothing to do, by its own words, though the job is not printed; zero while it has
}

// errForgotten says that the printer does not know the job: it lost it, or it printed it and keeps no list.
var errForgotten = errors.New("the printer does not know the job any more")

// requestingUser is who prints, as print servers list it.
const requestingUser = "weighpost"

// A job is asked about soon at first, then less and less often.
const (
	firstLook = 15 * time.Millisecond
	mostLook  = 250 * time.Millisecond
)

// strayAfter is how long a printer may be idle, with nothing queued, before a job of which it says that it is still to be printed
// counts as forgotten. A print server that is killed between two of its lists leaves such a job behind, which nothing will ever print.
const strayAfter = 5 * time.Second

// mostAnswer bounds an answer.
const mostAnswer = 256 << 10

func newPrinter(c *Config) (*printer, error) {
	u, err := url.Parse(c.URL)
	if err != nil {
		return nil, errors.New("the address of the printer is no URL")
	}
	p := &printer{cfg: c, uri: u.String(), stray: strayAfter}
	u.Scheme = map[string]string{"ipp": "http", "ipps": "https"}[u.Scheme] // RFC 8010 section 3.3, RFC 7472
	if u.Port() == "" {
		u.Host += ":631"
	}
	p.post = u.String()
	return p, nil
}

func (p *printer) close() {
	if p.client != nil {
		p.client.CloseIdleConnections()
	}
}

func (p *printer) send(ctx context.Context, d document) (given string, maybe bool, err error) {
	if p.entry != d.id {
		job, err := p.print(ctx, d)
		if err != nil {
			var refused sinks.Refused
			var busy sinks.Busy
			var unusable sinks.Unusable
			answered := errors.As(err, &refused) || errors.As(err, &busy) || errors.As(err, &unusable)
			return "", !answered, err
		}
		p.entry, p.job, p.who, p.idle = d.id, job, "", time.Time{}
	}
	given, err = p.finished(ctx)
	var refused sinks.Refused
	switch {
	case err == nil, errors.As(err, &refused):
		p.entry = ""
	case errors.Is(err, errForgotten) && p.anew == d.id: // not for ever
		p.entry = ""
		return "", true, sinks.Refused{Err: fmt.Errorf("twice now, %w: whether it was printed is not known", err)}
	case errors.Is(err, errForgotten):
		p.entry, p.anew = "", d.id
		return "", true, err
	}
	return given, false, err // the job is known: it is not sent again
}

// print sends the document (Print-Job, RFC 8011 section 4.2.1) and gives the number of the job.
func (p *printer) print(ctx context.Context, d document) (job int, err error) {
	m := p.request(goipp.OpPrintJob)
	m.Operation.Add(goipp.MakeAttribute("job-name", goipp.TagName, goipp.String(d.id)))
	m.Operation.Add(goipp.MakeAttribute("document-format", goipp.TagMimeType, goipp.String(d.kind)))
	answer, err := p.ask(ctx, m, d.body)
	if err != nil {
		return 0, err
	}
	job, ok := number(answer.Job, "job-id")
	if !ok {
		return 0, errors.New("the printer took the job and did not say which number it has")
	}
	return job, nil
}

// finished waits until the job is printed, or is known not to be for now.
func (p *printer) finished(ctx context.Context) (given string, err error) {
	for wait := firstLook; ; wait = min(2*wait, mostLook) {
		given, done, err := p.jobState(ctx)
		if done || err != nil {
			return given, err
		}
		select {
		case <-ctx.Done():
			return "", fmt.Errorf("job %d is not printed yet: %w", p.job, ctx.Err())
		case <-time.After(wait):
		}
	}
}

// States of a job (RFC 8011 section 5.3.7) and of a printer (section 5.4.11).
const (
	jobPending, jobHeld, jobProcessing, jobStopped, jobCanceled, jobAborted, jobCompleted = 3, 4, 5, 6, 7, 8, 9

	printerIdle, printerStopped = 3, 5
)

func (p *printer) jobState(ctx context.Context) (given string, done bool, err error) {
	m := p.request(goipp.OpGetJobAttributes)
	m.Operation.Add(goipp.MakeAttribute("job-id", goipp.TagInteger, goipp.Integer(p.job)))
	answer, err := p.ask(ctx, m, nil)
	var unusable sinks.Unusable
	switch {
	case errors.As(err, &unusable):
		return "", false, fmt.Errorf("%w (%d)", errForgotten, p.job)
	case err != nil:
		return "", false, err
	}
	if p.another(answer.Job) {
		return "", false, fmt.Errorf("%w (%d): it has given the number to another", errForgotten, p.job)
	}
	given = fmt.Sprintf("job %d", p.job)
	state, _ := number(answer.Job, "job-state")
	why := words(answer.Job, "job-state-reasons")
	switch state {
	case jobCompleted:
		return given, true, nil
	case jobHeld:
		return given + ", held at the printer", true, nil
	case jobCanceled:
		return "", false, sinks.Refused{Err: fmt.Errorf("job %d was cancelled at the printer%s", p.job, why)}
	case jobAborted:
		return "", false, sinks.Refused{Err: fmt.Errorf("the printer gave up job %d%s", p.job, why)}
	case jobStopped:
		return "", false, sinks.Busy{Err: fmt.Errorf("job %d waits at the printer%s", p.job, why), After: again}
	case jobPending, jobProcessing:
		return "", false, p.standsStill(ctx)
	}
	return "", false, fmt.Errorf("the printer says that job %d is in the state %d, which there is not", p.job, state)
}

// another says whether a job is not ours: a print server that is killed may lose a job, and give its number to the next that anybody
// prints. Some printers change names, or keep them from strangers: what counts is that the job is the one that was first asked about.
func (p *printer) another(job goipp.Attributes) bool {
	name, user := textOf(job, "job-name"), textOf(job, "job-originating-user-name")
	who := textOf(job, "job-uuid") + "\n" + name
	if p.who == "" {
		if user != "" && user != requestingUser && !strings.HasPrefix(p.entry, name) {
			return true
		}
		p.who = who
	}
	return p.who != who
}

// standsStill is nil as long as the printer prints.
func (p *printer) standsStill(ctx context.Context) error {
	answer, err := p.ask(ctx, p.request(goipp.OpGetPrinterAttributes), nil)
	if err != nil {
		return err
	}
	state, _ := number(answer.Printer, "printer-state")
	if state == printerStopped {
		p.idle = time.Time{}
		return sinks.Busy{Err: fmt.Errorf("the printer is stopped%s; job %d waits there", words(answer.Printer, "printer-state-reasons"), p.job), After: again}
	}
	// queued-job-count counts what is pending, held, processing or stopped (RFC 8011 section 5.4.24).
	queued, told := number(answer.Printer, "queued-job-count")
	switch {
	case state != printerIdle || !told || queued > 0:
		p.idle = time.Time{}
	case p.idle.IsZero():
		p.idle = time.Now()
	case time.Since(p.idle) > p.stray:
		return fmt.Errorf("%w (%d): it has nothing to print, and does not say that the job is printed", errForgotten, p.job)
	}
	return nil
}

func (p *printer) request(op goipp.Op) *goipp.Message {
	p.number++
	m := goipp.NewRequest(goipp.DefaultVersion, op, p.number)
	m.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	m.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
	m.Operation.Add(goipp.MakeAttribute("printer-uri", goipp.TagURI, goipp.String(p.uri)))
	m.Operation.Add(goipp.MakeAttribute("requesting-user-name", goipp.TagName, goipp.String(requestingUser)))
	return m
}

// ask sends a request with a document behind it and gives the answer, if the printer did what was asked.
func (p *printer) ask(ctx context.Context, m *goipp.Message, body []byte) (*goipp.Message, error) {
	if err := p.connect(); err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Timeout.D())
	defer cancel()
	head, err := m.EncodeBytes()
	if err != nil {
		return nil, fmt.Errorf("the request cannot be written: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.post, bytes.NewReader(append(head, body...)))
	if err != nil {
		return nil, sinks.Unusable{Err: errors.New("the address of the printer cannot be used")}
	}
	req.Header.Set("Content-Type", goipp.ContentType)
	answer, err := p.client.Do(req)
	var untrusted *tls.CertificateVerificationError
	switch {
	case errors.As(err, &untrusted):
		p.close()
		p.client = nil // the file of authorities may be mended
		return nil, sinks.Unusable{Err: fmt.Errorf("the printer's certificate is not trusted: %w: check ca", untrusted)}
	case err != nil:
		return nil, fmt.Errorf("the printer does not answer: %w", err)
	}
	defer answer.Body.Close()
	if answer.StatusCode == http.StatusSwitchingProtocols { // its body is the connection, of which a read ends with no context
		return nil, errors.New("the printer answers 101 and wants another protocol, which nobody asked for")
	}
	said, err := io.ReadAll(io.LimitReader(answer.Body, mostAnswer))
	switch {
	case answer.StatusCode == http.StatusUnauthorized, answer.StatusCode == http.StatusForbidden, answer.StatusCode == http.StatusNotFound:
		return nil, sinks.Unusable{Err: fmt.Errorf("the printer answers %s", answer.Status)}
	case answer.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("the printer answers %s", answer.Status)
	case err != nil:
		return nil, fmt.Errorf("the printer's answer was cut off: %w", err)
	}
	var got goipp.Message
	if err := got.DecodeBytes(said); err != nil {
		return nil, fmt.Errorf("the printer's answer is no IPP: %w", err)
	}
	return &got, judge(goipp.Status(got.Code))
}

// judge sorts a status (RFC 8011, appendix B).
func judge(s goipp.Status) error {
	err := fmt.Errorf("the printer says %s", s)
	switch {
	case s < 0x0400:
		return nil
	case s == goipp.StatusErrorNotAcceptingJobs, s == goipp.StatusErrorBusy, s == goipp.StatusErrorTooManyJobs, s == goipp.StatusErrorPrinterIsDeactivated:
		return sinks.Busy{Err: err, After: again}
	case s >= 0x0500 && s != goipp.StatusErrorOperationNotSupported && s != goipp.StatusErrorVersionNotSupported, s == goipp.StatusErrorTimeout, s == goipp.StatusErrorNotPossible:
		return err
	case s == goipp.StatusErrorRequestEntity, s == goipp.StatusErrorRequestValue, s == goipp.StatusErrorDocumentFormatError, s == goipp.StatusErrorDocumentUnprintable:
		return sinks.Refused{Err: err}
	}
	return sinks.Unusable{Err: err}
}

func (p *printer) connect() error {
	if p.client != nil {
		return nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if p.cfg.CA != "" {
		pem, err := os.ReadFile(p.cfg.CA)
		if err != nil {
			return fmt.Errorf("the certificates of the authorities cannot be read: %w", err)
		}
		if t.RootCAs = x509.NewCertPool(); !t.RootCAs.AppendCertsFromPEM(pem) {
			return fmt.Errorf("the file %s holds no certificate in PEM form", p.cfg.CA)
		}
	}
	p.client = &http.Client{
		Transport:     &http.Transport{TLSClientConfig: t, MaxIdleConns: 1, IdleConnTimeout: 30 * time.Second, MaxResponseHeaderBytes: 64 << 10},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return nil
}

func number(list goipp.Attributes, name string) (int, bool) {
	for _, a := range list {
		if a.Name == name && len(a.Values) > 0 {
			n, ok := a.Values[0].V.(goipp.Integer)
			return int(n), ok
		}
	}
	return 0, false
}

// textOf gives the first text or name of an attribute, "" where there is none.
func textOf(list goipp.Attributes, name string) string {
	for _, a := range list {
		if a.Name != name || len(a.Values) == 0 {
			continue
		}
		switch v := a.Values[0].V.(type) {
		case goipp.String:
			return string(v)
		case goipp.TextWithLang:
			return v.Text
		}
	}
	return ""
}

// words gives keywords for a sentence: " (media-empty)", "" where there are none.
func words(list goipp.Attributes, name string) string {
	var all []string
	for _, a := range list {
		if a.Name != name {
			continue
		}
		for _, v := range a.Values {
			if s, ok := v.V.(goipp.String); ok && s != "none" && len(s) < 100 && len(all) < 8 {
				all = append(all, string(s))
			}
		}
	}
	if all == nil {
		return ""
	}
	return " (" + strings.Join(all, ", ") + ")"
}
