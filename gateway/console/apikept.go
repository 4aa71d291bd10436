package console

import (
	"bytes"
	"context"
	"errors"
	"mime"
	"net/http"
	"path"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// KeptFiles keeps files beside the journal, each under its hash.
type KeptFiles interface {
	// KeepFile returns once a file is durable.
	KeepFile(name string, content []byte) (record.KeptFile, error)
	// KeptFile gives a file that is as its hash says. The error is fs.ErrNotExist, or says what is wrong with it.
	KeptFile(f record.KeptFile) ([]byte, error)
}

// keptTypes are the kinds of file that are kept, each with how its bytes begin.
var keptTypes = []struct {
	media, begins string
}{
	{"application/pdf", "%PDF-"},
	{"image/png", "\x89PNG\r\n\x1a\n"},
	{"image/jpeg", "\xff\xd8\xff"},
}

// KeptType tells what kind of file it is by its bytes, or "".
func KeptType(content []byte) string {
	for _, t := range keptTypes {
		if bytes.HasPrefix(content, []byte(t.begins)) {
			return t.media
		}
	}
	return ""
}

type weightFileRequest struct {
	WeightID
	Name    string `query:"name" maxLength:"200" doc:"The file's name, such as 4711-2026.pdf."`
	Reason  string `query:"reason" maxLength:"500" doc:"Why; left out: that the file was attached."`
	By      string `query:"by" maxLength:"128" doc:"Who says so, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
	Type    string `header:"Content-Type"`
	RawBody []byte
}

func (s *Server) weightFileRoutes(api huma.API, op operations) {
	if s.deps.Kept == nil {
		return
	}
	put := op("attach-weight-file", http.MethodPut, weightFilePath, "Attach the certificate of a reference weight as a file",
		"A PDF, PNG or JPEG of at most 10 MiB. It is kept beside the journal under its SHA-256, which then stands in the weight's entry. 409: no certificate of the weight is registered.",
		rights.Weights)
	content := map[string]*huma.MediaType{}
	form := bodyForm{limit: record.MostKept, file: true}
	for _, t := range keptTypes {
		form.types = append(form.types, t.media)
		content[t.media] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}}
	}
	put.MaxBodyBytes, put.SkipValidateBody = record.MostKept+1, true
	put.RequestBody = &huma.RequestBody{Required: true, Content: content}
	huma.Register(api, takes(put, form), s.attachWeightFile)
	get := op("get-weight-file", http.MethodGet, weightFilePath, "The certificate of a reference weight, as the file that was attached", "", rights.ReadJournal)
	get.Responses = map[string]*huma.Response{"200": {Description: "The file.", Content: content}}
	huma.Register(api, get, s.getWeightFile)
}

func (s *Server) attachWeightFile(ctx context.Context, in *weightFileRequest) (*weightAnswer, error) {
	actor, reason, err := s.onFitness(ctx, "", in.By, in.Reason, false)
	if err != nil {
		return nil, err
	}
	known, ok := s.deps.Fitness.ReferenceWeight(in.Weight)
	switch kind, _, _ := mime.ParseMediaType(in.Type); {
	case !ok:
		return nil, s.fitnessUnread(record.ErrNoWeight)
	case known.Withdrawn || known.Certificate == nil || known.Certificate.Number == "":
		return nil, s.fitnessNotDone(&record.NotDone{Why: "the weight is withdrawn, or no certificate of it is registered that the file could belong to: register that first"})
	case KeptType(in.RawBody) != kind:
		return nil, notTaken("the file is not what its Content-Type says: a PDF, PNG or JPEG begins with signs of its own")
	}
	name, err := keptName(in.Name)
	if err != nil {
		return nil, err
	}
	f, err := s.deps.Kept.KeepFile(name, in.RawBody)
	if err != nil {
		return nil, notNow("The file could not be kept. " + sentence(err.Error()))
	}
	w := known.ReferenceWeight
	certificate := *w.Certificate
	certificate.File = &f
	w.Certificate = &certificate
	if reason == "" {
		reason = "the file of its certificate was attached"
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Fitness.RegisterWeight(ctx, w, reason, actor)
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return &weightAnswer{v}, nil
}

// keptName is the name of a file as it is kept: no path, nothing that cannot be printed.
func keptName(name string) (string, error) {
	name = path.Base(strings.ReplaceAll(strings.TrimSpace(name), `\`, "/"))
	odd := func(c rune) bool { return !unicode.IsPrint(c) || c == utf8.RuneError }
	if name == "." || name == "/" || name == ".." || strings.ContainsFunc(name, odd) {
		return "", notTaken("name is missing, or holds what cannot be printed: say the file's name, such as ?name=4711-2026.pdf")
	}
	return name, nil
}

func (s *Server) getWeightFile(_ context.Context, in *WeightID) (*huma.StreamResponse, error) {
	known, ok := s.deps.Fitness.ReferenceWeight(in.Weight)
	if !ok {
		return nil, s.fitnessUnread(record.ErrNoWeight)
	}
	if known.Certificate == nil || known.Certificate.File == nil {
		return nil, &problemDocument{"about:blank", "There is no file", http.StatusNotFound, "No file of the certificate of " + in.Weight + " was attached."}
	}
	f := *known.Certificate.File
	content, err := s.deps.Kept.KeptFile(f)
	if err == nil && KeptType(content) == "" {
		err = errors.New("the file is of no kind that is kept")
	}
	if err != nil {
		return nil, unlisted(err)
	}
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		WriteKept(w, f, content)
	}}, nil
}

// WriteKept sends a kept file as what it is, to be saved and not shown: nobody knows what is in it.
func WriteKept(w http.ResponseWriter, f record.KeptFile, content []byte) {
	h := w.Header()
	h.Set("Content-Type", KeptType(content))
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.Name}))
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	w.Write(content)
}
