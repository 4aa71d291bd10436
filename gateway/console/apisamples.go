package console

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Samples knows samples before they are weighed.
type Samples interface {
	// Announce returns once what was sent is in the journal, and how many were new, changed, and known as they were sent. The error is a
	// *record.SampleRefused, with nothing taken, or says why it does not work now.
	Announce(ctx context.Context, list []record.Sample, request string, by record.Actor) (record.SamplesTaken, error)
	// End gives what was known once it is in the journal. The error is record.ErrNoSample, or says why it does not work now.
	End(ctx context.Context, id, why string, by record.Actor) (record.KnownSample, error)
	// Sample gives one sample. ready false: which there are is still being read.
	Sample(id string) (s record.KnownSample, known, ready bool)
	// List gives samples whose ids begin with a text and come after one, by id.
	List(prefix, after string, limit int) (list []record.KnownSample, more, ready bool)
}

const (
	samplesPath = apiPrefix + "samples"
	samplePath  = samplesPath + "/{sample}"
	samplesPage = 1000
)

type samplesRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type samplesTaken struct{ Body record.SamplesTaken }

type samplesQuery struct {
	Prefix string `query:"prefix" doc:"How the ids begin." maxLength:"128"`
	After  string `query:"after" doc:"The id that the page before ended with, as it said in next." maxLength:"128"`
	Limit  int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type samplesAnswer struct {
	Body struct {
		Samples []record.KnownSample `json:"samples" nullable:"false"`
		Next    string               `json:"next,omitempty" doc:"What to send as after for the page that follows; absent where this is the last."`
	}
}

// SampleID names the sample that a request is about. It has a name that the API library may see.
type SampleID struct {
	Sample string `path:"sample" doc:"Id of the sample, with / and other signs escaped (RFC 3986)." example:"LOT-1003"`
}

type sampleAnswer struct{ Body record.KnownSample }

type sampleEnd struct {
	SampleID
	FromWhere
	Reason string `query:"reason" doc:"Why it is not known any more." maxLength:"500"`
}

func (s *Server) sampleRoutes(api huma.API) {
	if s.deps.Samples == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right, errs ...int) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"samples"},
			Errors: errs, SkipValidateBody: true}, right)
	}
	huma.Register(api, op("announce-samples", http.MethodPost, samplesPath, "Announce samples that will be weighed",
		"One sample, or several under samples: all of them are taken or none. What a sample brings along (lot, method, run, fields) is set together "+
			"with it when it is scanned or sent. A sample that is known as it is sent needs no entry, so the same request may come again; one that "+
			"differs changes what is known. It is answered once that is in the journal.", rights.Samples,
		refusals(http.StatusConflict, http.StatusServiceUnavailable)...), s.announceSamples)
	huma.Register(api, op("list-samples", http.MethodGet, samplesPath, "The samples that are known", "In the order of their ids.", rights.See,
		http.StatusUnprocessableEntity, http.StatusServiceUnavailable), s.listSamples)
	huma.Register(api, op("get-sample", http.MethodGet, samplePath, "One sample", "", rights.See, http.StatusNotFound, http.StatusServiceUnavailable), s.getSample)
	huma.Register(api, op("end-sample", http.MethodDelete, samplePath, "Say that a sample is not known any more", "It is answered with what was known of it.", rights.Samples,
		refusals(http.StatusNotFound, http.StatusServiceUnavailable)...), s.endSample)
	body := api.OpenAPI().Paths[samplesPath].Post.RequestBody
	body.Required = true
	one := sampleSchema()
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{OneOf: []*huma.Schema{one, {Type: huma.TypeObject,
		AdditionalProperties: false, Required: []string{"samples"}, Properties: map[string]*huma.Schema{
			"samples": {Type: huma.TypeArray, Items: sampleSchema()}, "request": markSchema()}}}}}}
	one.Properties["request"] = markSchema()
}

func markSchema() *huma.Schema {
	most := 64
	return &huma.Schema{Type: huma.TypeString, MaxLength: &most, Description: "The sender's own mark, which the entries carry."}
}

func sampleSchema() *huma.Schema {
	least, most := 1, 128
	text := func(about string) *huma.Schema {
		return &huma.Schema{Type: huma.TypeString, MinLength: &least, MaxLength: &most, Description: about}
	}
	return &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Required: []string{"id"}, Properties: map[string]*huma.Schema{
		"id": text("The id as it will be scanned."), "lot": text("Its lot."), "method": text("The test method."), "run": text("The run."),
		"fields":  {Type: huma.TypeObject, AdditionalProperties: text("What it says."), Description: "Free fields by name."},
		"expires": text("Until when it may be weighed: a time (RFC 3339), or a day, up to its end in UTC."),
	}, Examples: []any{map[string]any{"id": "LOT-1003", "lot": "2026-07"}}}
}

func (s *Server) announceSamples(ctx context.Context, in *samplesRequest) (*samplesTaken, error) {
	list, err := record.ParseSamples(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"id": "LOT-1003"}`, err)
	}
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	taken, err := s.deps.Samples.Announce(ctx, list.Samples, list.Request, actor)
	var refused *record.SampleRefused
	if errors.As(err, &refused) {
		return nil, &problemDocument{"about:blank", "The samples were not taken", http.StatusConflict, sentence(refused.Why)}
	}
	if err != nil {
		return nil, notNow(sentence(err.Error()))
	}
	return &samplesTaken{taken}, nil
}

func (s *Server) listSamples(_ context.Context, in *samplesQuery) (*samplesAnswer, error) {
	list, more, ready := s.deps.Samples.List(in.Prefix, in.After, min(max(in.Limit, 1), samplesPage))
	if !ready {
		return nil, notReady()
	}
	answer := &samplesAnswer{}
	answer.Body.Samples = append([]record.KnownSample{}, list...)
	if more {
		answer.Body.Next = list[len(list)-1].ID
	}
	return answer, nil
}

func (s *Server) getSample(_ context.Context, in *SampleID) (*sampleAnswer, error) {
	one, known, ready := s.deps.Samples.Sample(in.Sample)
	switch {
	case known:
		return &sampleAnswer{one}, nil
	case !ready:
		return nil, notReady()
	}
	return nil, noSample()
}

func (s *Server) endSample(ctx context.Context, in *sampleEnd) (*sampleAnswer, error) {
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	if why := strings.TrimSpace(in.Reason); why != "" {
		if err := record.CheckReason(why); err != nil {
			return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence("reason " + err.Error())}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	was, err := s.deps.Samples.End(ctx, in.Sample, strings.TrimSpace(in.Reason), actor)
	switch {
	case errors.Is(err, record.ErrNoSample):
		return nil, noSample()
	case err != nil:
		return nil, notNow(sentence(err.Error()))
	}
	return &sampleAnswer{was}, nil
}

func noSample() error {
	return &problemDocument{"about:blank", "There is no such sample", http.StatusNotFound, "No sample of that id is announced: see " + samplesPath + "."}
}

func notReady() error { return notNow("Which samples are known is still being read from the journal.") }
