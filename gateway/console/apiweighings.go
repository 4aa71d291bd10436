package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"reflect"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	weighingsPath = apiPrefix + "weighings"
	weighingPath  = weighingsPath + "/{site}/{incarnation}/{balance}/{number}"
)

// problemTypes begins the type of a problem that a program has to tell from others of the same status.
const problemTypes = "urn:weighpost:problem:"

func typeOf[T any]() reflect.Type { return reflect.TypeFor[T]() }

// rightOnly is the metadata of a route that needs a right.
func rightOnly(r rights.Right) map[string]any { return map[string]any{rightKey: r} }

// exactWeighing is the exact JSON of a weighing, or of a result.
type exactWeighing json.RawMessage

// MarshalJSON gives the bytes as they are.
func (w exactWeighing) MarshalJSON() ([]byte, error) { return json.RawMessage(w).MarshalJSON() }

// Schema refers to what describeEntries wrote.
func (exactWeighing) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Ref: "#/components/schemas/Weighing"}
}

// WeighingList is one page of weighings.
type WeighingList struct {
	Weighings []exactWeighing `json:"weighings" nullable:"false" doc:"The exact JSON of each: these bytes are what the journal's hashes cover."`
	Next      string          `json:"next,omitempty" doc:"The cursor of the page that follows; absent where this is the last. A page may be short, or empty, and have one."`
	Indexed   uint64          `json:"indexed" doc:"The search index has come to this entry; what is after it was read from the journal."`
	Head      uint64          `json:"head" doc:"The last entry of the journal."`
	Count     *uint64         `json:"count,omitempty" doc:"How many there are in all, where that was asked for."`
	Missing   uint64          `json:"missing,omitempty" doc:"How many entries could not be read on the way to this page, and are not in it."`
	Filter    string          `json:"filter" doc:"In words, what was asked for."`
}

type weighingsAnswer struct{ Body WeighingList }

type weighingRequest struct {
	Site        string `path:"site" example:"north-lab" doc:"The first part of the weighing's id."`
	Incarnation string `path:"incarnation" example:"7qx3" doc:"The second."`
	Balance     string `path:"balance" example:"b-12" doc:"The third."`
	Number      string `path:"number" example:"000184" doc:"The last, with its zeros."`
}

type weighingAnswer struct{ Body exactWeighing }

func (s *Server) weighingRoutes(api huma.API) {
	if s.deps.Entries == nil {
		return
	}
	describeEntries(api.OpenAPI())
	huma.Register(api, huma.Operation{OperationID: "list-weighings", Method: http.MethodGet, Path: weighingsPath, Tags: []string{"weighings"},
		Summary:     "Weighings, a page at a time",
		Description: "As " + entriesPath + ", with weighings only; with results=true results too.",
		Parameters:  s.filterParameters(true), Metadata: rightOnly(rights.ReadJournal),
		Errors: []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable}}, s.listWeighings)
	huma.Register(api, huma.Operation{OperationID: "get-weighing", Method: http.MethodGet, Path: weighingPath, Tags: []string{"weighings"},
		Summary: "One weighing, by its id", Metadata: rightOnly(rights.ReadJournal),
		Description: "The path is the id as it is: " + weighingsPath + "/north-lab/7qx3/b-12/000184. The answer is the exact JSON; entry?id= tells where it stands in the journal.",
		Errors:      []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}}, s.getWeighing)
}

func (s *Server) listWeighings(ctx context.Context, in *entriesRequest) (*weighingsAnswer, error) {
	kinds, err := kindsOf(in.query, true)
	if err == nil && in.query.Has("since_review") {
		err = &record.RequestRefused{Why: "since_review cannot be asked for here: see " + entriesPath}
	}
	if err != nil {
		return nil, unlisted(err)
	}
	for _, k := range kinds {
		in.query.Add("kind", string(k))
	}
	l, err := s.deps.Entries.ListEntries(ctx, in.query)
	if err != nil {
		return nil, unlisted(err)
	}
	a := &weighingsAnswer{WeighingList{Weighings: []exactWeighing{}, Next: l.Next, Indexed: l.Indexed, Head: l.Head, Count: l.Count, Missing: l.Missing, Filter: l.Filter}}
	for _, e := range l.Entries {
		a.Body.Weighings = append(a.Body.Weighings, exactWeighing(e))
	}
	return a, nil
}

func (s *Server) getWeighing(ctx context.Context, in *weighingRequest) (*weighingAnswer, error) {
	if in.Balance == "@" {
		return nil, unlisted(ErrNoEntry) // what is about no balance is no weighing
	}
	e, err := s.deps.Entries.EntryByID(ctx, strings.Join([]string{in.Site, in.Incarnation, in.Balance, in.Number}, "/"))
	if errors.Is(err, ErrNoEntry) {
		return nil, &problemDocument{"about:blank", "There is no such weighing", http.StatusNotFound, "The journal has none of that id."}
	}
	if err != nil {
		return nil, unlisted(err)
	}
	return &weighingAnswer{exactWeighing(e.Entry)}, nil
}

// describeEntries writes what every entry, and what a weighing says into the description. It says what is there of old: members
// may be added.
func describeEntries(doc *huma.OpenAPI) {
	list, one := doc.Components.Schemas, 1.0
	text := func(about string, example any) *huma.Schema {
		return &huma.Schema{Type: huma.TypeString, Description: about, Examples: []any{example}}
	}
	head := func(schema *huma.Schema) map[string]*huma.Schema {
		return map[string]*huma.Schema{"schema": schema,
			"id":   text("Stable for ever: site, incarnation, balance (@ for none) and number.", "north-lab/7qx3/b-12/000184"),
			"seq":  {Type: huma.TypeInteger, Minimum: &one, Description: "Its place in the journal, from 1."},
			"site": text("The site's name when the entry was made.", "north-lab")}
	}
	list.Map()["Entry"] = &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true, Required: []string{"schema", "id", "seq", "site"},
		Description: "One entry of the journal. What else it says goes by its kind.",
		Properties:  head(text("Its kind and the version of its form.", "weighpost.weighing/1"))}
	object := func(about string, required ...string) *huma.Schema {
		s := &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true, Description: about, Required: required, Properties: map[string]*huma.Schema{}}
		for _, name := range required {
			s.Properties[name] = &huma.Schema{Type: huma.TypeString}
		}
		return s
	}
	w := head(&huma.Schema{Type: huma.TypeString, Enum: []any{record.KindWeighing.Schema(), record.KindResult.Schema()}, Description: "A result is no mass: pieces, percent."})
	w["balance"] = object("The balance as it was known.", "id")
	w["value"] = list.Schema(typeOf[record.Value](), true, "")
	w["stamp"] = list.Schema(typeOf[record.Stamp](), true, "")
	w["frame"] = &huma.Schema{Type: huma.TypeString, ContentEncoding: "base64", Description: "The bytes exactly as received."}
	w["trigger"] = text("What recorded it: printed, settled, every 5s, all, or asked.", "printed")
	w["context"] = object("Who, which sample and more, each with how it was learnt.")
	for _, name := range []string{"person", "sample", "method", "run", "lot"} {
		w["context"].Properties[name] = &huma.Schema{OneOf: []*huma.Schema{{Type: "null"}, object("", "id", "by")}}
	}
	w["verdicts"] = &huma.Schema{Type: huma.TypeArray, Items: object("What one rule said.", "rule")}
	w["fitness"] = object("Whether the balance might be used.", "state")
	w["software"] = object("Which program, in which configuration.", "version")
	list.Map()["Weighing"] = &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true, Properties: w,
		Description: "A weighing. Its whole form is the schema weighpost.weighing/1, which comes with the program.",
		Required:    []string{"schema", "id", "seq", "site", "balance", "value", "frame", "trigger", "stamp", "context"}}
}
