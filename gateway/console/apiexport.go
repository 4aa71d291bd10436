package console

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/rights"
)

const (
	exportPath = apiPrefix + "export"
	// exportLimit is how many exports run at once: each reads the whole journal.
	exportLimit = 2
	// exportStall is for how long a client of an export may take nothing before it is dropped.
	exportStall = 30 * time.Second
)

// Exports writes the entries of the journal in other forms.
type Exports interface {
	// ExportParameters lists what a request may say, with its description.
	ExportParameters() []ExportParameter
	// Export reads a request, and writes nothing yet. The error is an *ExportRefused, or says why it does not work now.
	Export(ctx context.Context, request url.Values) (Download, error)
}

// ExportParameter is one parameter of a request for an export.
type ExportParameter struct {
	Name, About string
	Required    bool
	Values      []string // empty: any text
}

// ExportRefused says in a sentence what is wrong with a request for an export.
type ExportRefused struct{ Why string }

func (r *ExportRefused) Error() string { return r.Why }

// Download is a file that is made while it is sent.
type Download struct {
	Name, MediaType string
	// Write writes the file, and gives its manifest and SHA-256, in hex, when all of it is written. It ends when ctx does.
	Write func(ctx context.Context, w io.Writer) (manifest []byte, sha256 string, err error)
}

type exportRequest struct{ query url.Values }

// Resolve takes the parameters as they are: the room that filters reads them.
func (r *exportRequest) Resolve(ctx huma.Context) []error {
	u := ctx.URL()
	r.query = u.Query()
	return nil
}

func (s *Server) exportRoute(api huma.API) {
	if s.deps.Exports == nil {
		return
	}
	text := &huma.Schema{Type: huma.TypeString, Format: "binary"}
	op := huma.Operation{
		OperationID: "export-entries", Method: http.MethodGet, Path: exportPath, Tags: []string{"journal"},
		Summary: "Entries of the journal as a file: CSV, NDJSON, Parquet or PDF",
		Description: "Sends the entries that the filter asks for, up to the last one that was there when the request came, while they are " +
			"read. An answer that ends in good order is whole, and has its manifest in the trailer field Weighpost-Manifest (base64 between " +
			"colons) and its hash in Repr-Digest (RFC 9530); one that could not be finished is cut off. pack=zip puts the file and its manifest into one archive instead.",
		Errors: []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable},
		Responses: map[string]*huma.Response{"200": {Description: "The file.", Content: map[string]*huma.MediaType{
			"text/csv": {Schema: text}, "application/x-ndjson": {Schema: text}, "application/vnd.apache.parquet": {Schema: text},
			"application/pdf": {Schema: text}, "application/zip": {Schema: text}}}},
	}
	for _, p := range s.deps.Exports.ExportParameters() {
		schema := &huma.Schema{Type: huma.TypeString}
		for _, v := range p.Values {
			schema.Enum = append(schema.Enum, v)
		}
		op.Parameters = append(op.Parameters, &huma.Param{Name: p.Name, In: "query", Description: p.About, Required: p.Required, Schema: schema})
	}
	huma.Register(api, needs(op, rights.Export), func(ctx context.Context, in *exportRequest) (*huma.StreamResponse, error) {
		d, err := s.deps.Exports.Export(ctx, in.query)
		var refused *ExportRefused
		switch {
		case errors.As(err, &refused):
			return nil, &problemDocument{"about:blank", "The export cannot be made as asked for", http.StatusUnprocessableEntity, sentence(refused.Why)}
		case err != nil:
			return nil, notNow(sentence(err.Error()))
		}
		return &huma.StreamResponse{Body: func(ctx huma.Context) {
			r, w := humago.Unwrap(ctx)
			s.sendExport(w, r, d)
		}}, nil
	})
}

// sendExport sends a file while it is made. What cannot be finished is cut off, so that nobody takes it for whole.
func (s *Server) sendExport(w http.ResponseWriter, r *http.Request, d Download) {
	select {
	case s.exports <- struct{}{}:
		defer func() { <-s.exports }()
	default:
		w.Header().Set("Retry-After", "10")
		problem(w, http.StatusServiceUnavailable, "Too many exports are under way", fmt.Sprintf("At most %d run at once: ask again when one has ended.", exportLimit))
		return
	}
	out := &paced{w: w, out: http.NewResponseController(w), begin: func() {
		h := w.Header()
		h.Set("Content-Type", d.MediaType)
		h.Set("Content-Disposition", `attachment; filename="`+d.Name+`"`)
		h.Set("Cache-Control", "no-store")
		h.Set("Trailer", "Weighpost-Manifest, Repr-Digest")
	}}
	if r.Method == http.MethodHead {
		out.begin()
		return
	}
	manifest, sum, err := d.Write(r.Context(), out)
	switch {
	case err != nil && !out.begun && r.Context().Err() == nil:
		s.deps.Log.Warn("an export failed", "file", d.Name, "err", err)
		problem(w, http.StatusServiceUnavailable, "The export cannot be made", sentence(err.Error()))
		return
	case err != nil:
		s.deps.Log.Warn("an export was cut off", "file", d.Name, "err", err)
		panic(http.ErrAbortHandler)
	}
	out.start()
	w.Header().Set("Weighpost-Manifest", ":"+base64.StdEncoding.EncodeToString(manifest)+":")
	if raw, err := hex.DecodeString(sum); err == nil {
		w.Header().Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(raw)+":")
	}
}

// paced lets an answer take as long as it needs, and each of its pieces only so long.
type paced struct {
	w     io.Writer
	out   *http.ResponseController
	begin func() // sets the header
	begun bool
}

func (p *paced) start() {
	if !p.begun {
		p.begun = true
		p.begin()
	}
}

func (p *paced) Write(b []byte) (int, error) {
	p.start()
	if err := p.out.SetWriteDeadline(time.Now().Add(exportStall)); err != nil {
		return 0, err
	}
	return p.w.Write(b)
}
