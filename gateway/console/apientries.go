package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Entries reads the journal, and notes that somebody looked it over. Nothing here alters or deletes an entry.
type Entries interface {
	// EntryParameters lists what a request for a list may say, with its description.
	EntryParameters() []ExportParameter
	// ListEntries answers a request for a list. The error is a *record.RequestRefused, or says why it does not work now.
	ListEntries(ctx context.Context, request url.Values) (EntryList, error)
	// EntryByID gives one entry; errors as of ListEntries, or ErrNoEntry.
	EntryByID(ctx context.Context, id string) (OneEntry, error)
	// Reviews gives the reviews that were noted, oldest first.
	Reviews(ctx context.Context) ([]json.RawMessage, error)
	// Review returns the entry once it is in the journal. The error is a *record.RequestRefused, or that of the journal.
	Review(ctx context.Context, r record.ReviewRequest, by record.Actor) (json.RawMessage, error)
}

// ErrNoEntry says that the journal has no entry of the id that was asked for.
var ErrNoEntry = errors.New("the journal has no entry of that id")

const (
	entriesPath = apiPrefix + "entries"
	entryPath   = apiPrefix + "entry"
	reviewsPath = apiPrefix + "trail/reviews"
)

// EntryList is one page of entries.
type EntryList struct {
	Entries []json.RawMessage `json:"entries" nullable:"false" doc:"The exact JSON of each entry: these bytes are what the journal's hashes cover."`
	Next    string            `json:"next,omitempty" doc:"The cursor of the page that follows; absent where this is the last. A page may be short, or empty, and have one."`
	Indexed uint64            `json:"indexed" doc:"The search index has come to this entry; what is after it was read from the journal."`
	Head    uint64            `json:"head" doc:"The last entry of the journal."`
	Count   *uint64           `json:"count,omitempty" doc:"How many entries there are in all, where that was asked for."`
	Missing uint64            `json:"missing,omitempty" doc:"How many entries could not be read on the way to this page, and are not in it."`
	Filter  string            `json:"filter" doc:"In words, what was asked for."`
}

// OneEntry is an entry and where it stands.
type OneEntry struct {
	Entry   json.RawMessage `json:"entry" doc:"The exact JSON of the entry."`
	Seq     uint64          `json:"seq" doc:"Its place in the journal, from 1."`
	Head    uint64          `json:"head" doc:"The last entry of the journal."`
	Covered bool            `json:"covered" doc:"Whether the newest checkpoint covers it. One is signed at least every minute while entries come."`
	// Checkpoint is a signed note.
	Checkpoint string `json:"checkpoint,omitempty" doc:"The newest signed checkpoint (C2SP tlog-checkpoint)."`
}

type entriesRequest struct{ query url.Values }

// Resolve takes the parameters as they are: the room that filters reads them.
func (r *entriesRequest) Resolve(ctx huma.Context) []error {
	u := ctx.URL()
	r.query = u.Query()
	return nil
}

type entriesAnswer struct{ Body EntryList }

type entryRequest struct {
	ID string `query:"id" doc:"Id of the entry." example:"north-lab/7qx3/b-12/000184"`
}

type entryAnswer struct{ Body OneEntry }

type reviewsAnswer struct {
	Body struct {
		Reviews []json.RawMessage `json:"reviews" nullable:"false" doc:"The exact JSON of each review, oldest first."`
	}
}

type reviewRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type reviewAnswer struct{ Body json.RawMessage }

func (s *Server) entryRoutes(api huma.API) {
	if s.deps.Entries == nil {
		return
	}
	list := huma.Operation{OperationID: "list-entries", Method: http.MethodGet, Path: entriesPath, Tags: []string{"journal"},
		Summary: "Entries of the journal, a page at a time",
		Description: "Gives what the filter asks for. Cursors stay good while entries are added: they belong to the filter and the order, and to " +
			"nothing else. Where the search index has not come far enough, pages are short and still complete; an order by time, or a count, that " +
			"would take too long then is answered with 503.",
		Errors: []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable}}
	for _, p := range s.deps.Entries.EntryParameters() {
		schema := &huma.Schema{Type: huma.TypeString}
		for _, v := range p.Values {
			schema.Enum = append(schema.Enum, v)
		}
		list.Parameters = append(list.Parameters, &huma.Param{Name: p.Name, In: "query", Description: p.About, Schema: schema})
	}
	huma.Register(api, needs(list, rights.ReadJournal), s.listEntries)
	huma.Register(api, needs(huma.Operation{OperationID: "get-entry", Method: http.MethodGet, Path: entryPath, Tags: []string{"journal"},
		Summary: "One entry, and where it stands", Errors: []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}}, rights.ReadJournal), s.getEntry)
	huma.Register(api, needs(huma.Operation{OperationID: "list-reviews", Method: http.MethodGet, Path: reviewsPath, Tags: []string{"journal"},
		Summary: "The reviews of the audit trail that were noted", Errors: []int{http.StatusServiceUnavailable}}, rights.ReadJournal), s.listReviews)
	huma.Register(api, needs(huma.Operation{OperationID: "note-review", Method: http.MethodPost, Path: reviewsPath, Tags: []string{"journal"},
		Summary: "Note that the audit trail was looked over, and what was found",
		Description: "A review begins where the last one of the same filter, or of everything, ended. It is an entry itself, with the checkpoint that " +
			"the reviewer saw. What is new since then: entries?since_review=true. 409: it would say nothing new, or of entries that do not exist.",
		Errors:           refusals(http.StatusConflict, http.StatusServiceUnavailable),
		SkipValidateBody: true}, rights.ReviewTrail), s.noteReview)
	describeReviews(api.OpenAPI())
}

func (s *Server) listEntries(ctx context.Context, in *entriesRequest) (*entriesAnswer, error) {
	l, err := s.deps.Entries.ListEntries(ctx, in.query)
	if err != nil {
		return nil, unlisted(err)
	}
	return &entriesAnswer{l}, nil
}

func (s *Server) getEntry(ctx context.Context, in *entryRequest) (*entryAnswer, error) {
	if in.ID == "" {
		return nil, unlisted(&record.RequestRefused{Why: "id is missing: name the entry, as ?id=north-lab/7qx3/b-12/000184"})
	}
	e, err := s.deps.Entries.EntryByID(ctx, in.ID)
	if err != nil {
		return nil, unlisted(err)
	}
	return &entryAnswer{e}, nil
}

func (s *Server) listReviews(ctx context.Context, _ *struct{}) (*reviewsAnswer, error) {
	list, err := s.deps.Entries.Reviews(ctx)
	if err != nil {
		return nil, unlisted(err)
	}
	answer := &reviewsAnswer{}
	answer.Body.Reviews = append([]json.RawMessage{}, list...)
	return answer, nil
}

// unlisted says why there is no list.
func unlisted(err error) error {
	var refused *record.RequestRefused
	switch {
	case errors.As(err, &refused):
		return &problemDocument{"about:blank", "The question cannot be answered as asked", http.StatusUnprocessableEntity, sentence(refused.Why)}
	case errors.Is(err, ErrNoEntry):
		return &problemDocument{"about:blank", "There is no such entry", http.StatusNotFound, "The journal has no entry of that id."}
	}
	return huma.ErrorWithHeaders(&problemDocument{"about:blank", "The journal cannot be read so now", http.StatusServiceUnavailable, sentence(err.Error())},
		http.Header{"Retry-After": {retryAfter}})
}

func (s *Server) noteReview(ctx context.Context, in *reviewRequest) (*reviewAnswer, error) {
	r, err := record.ParseReviewRequest(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"by": "…", "findings": "…"}`, err)
	}
	actor, err := namedActor(ctx, r.By)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	e, err := s.deps.Entries.Review(ctx, r, actor)
	var refused *record.RequestRefused
	switch {
	case errors.As(err, &refused):
		return nil, &problemDocument{"about:blank", "The review was not noted", http.StatusConflict, sentence(refused.Why)}
	case err != nil:
		return nil, notNow(sentence(err.Error()) + " See the list of reviews for what became of it before it is sent again.")
	}
	return &reviewAnswer{e}, nil
}

// describeReviews writes the body of the request into the description.
func describeReviews(doc *huma.OpenAPI) {
	least := 1.0
	body := doc.Paths[reviewsPath].Post.RequestBody
	body.Required = true
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{
		Type: huma.TypeObject, AdditionalProperties: false, Required: []string{"findings"},
		Properties: map[string]*huma.Schema{
			"by":       words(128, "Who looked the entries over. "+byNote),
			"to":       {Type: huma.TypeInteger, Minimum: &least, Description: "Sequence of the last entry that was looked over. Left out: the last that there is."},
			"findings": words(4000, "What was found, in words; also that nothing was."),
			"reason":   words(500, "Why, or with which meaning."),
			"filter":   {Type: huma.TypeString, Description: "Which entries were looked over, if not all, as the parameters of a list: kind=configured&balance=b-12."},
		},
	}}}
}
