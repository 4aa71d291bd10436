package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	journalStreamPath  = apiPrefix + "journal/stream"
	weighingStreamPath = apiPrefix + "weighings/stream"
	liveStreamPath     = apiPrefix + "live/stream"

	checkEvery = time.Second // how often a stream looks whether whoever follows it still may
	pieceBytes = 64 << 10    // what is written under one time limit
)

// followRequest is a request for a stream of the journal.
type followRequest struct {
	LastEventID string `header:"Last-Event-ID" doc:"Where the stream ended that this one goes on from: the id of the last event that came. It goes before after." example:"7qx3.90211"`
	query       url.Values
}

// Resolve takes the filter as it is: the room that filters reads it.
func (r *followRequest) Resolve(ctx huma.Context) []error {
	u := ctx.URL()
	r.query = u.Query()
	return nil
}

type liveRequest struct {
	Balance string `query:"balance" doc:"Only readings of this balance." example:"b-12"`
}

// endOf says why a stream ends.
type endOf struct {
	Why string `json:"why" doc:"Why the stream ends, in a sentence."`
}

type beginOf struct {
	After string `json:"after" doc:"The stream gives what comes after this cursor."`
}

type lostReadings struct {
	Readings uint64 `json:"readings" doc:"How many readings were left out since the stream began, because they were not taken in time."`
}

func (s *Server) streamRoutes(api huma.API) {
	const resume = " Every event has an id: a cursor. An EventSource that lost its connection goes on by itself after the last id that it got " +
		"(header Last-Event-ID), also when weighpost was killed in between: nothing is left out and nothing comes twice. Other programs do likewise, or " +
		"ask with after. Without either the stream begins at the present; after=0 begins with the first entry. An entry is sent once it is durable, never before. " +
		"An id without data is sent now and then: it says that nothing was left out up to there. 409: the journal went on from a backup, or is another one, and has not " +
		"the entry of the id. 503: too many streams are open."
	if s.deps.Follow != nil && s.deps.Entries != nil {
		s.followRoute(api, huma.Operation{OperationID: "follow-journal", Path: journalStreamPath, Tags: []string{"journal"},
			Summary:     "Every entry of the journal as it comes, as Server-Sent Events",
			Description: "Gives what the filter asks for, in order." + resume}, "entry", "Entry")
		s.followRoute(api, huma.Operation{OperationID: "follow-weighings", Path: weighingStreamPath, Tags: []string{"weighings"},
			Summary:     "Every weighing as it is recorded, as Server-Sent Events",
			Description: "Gives the weighings that the filter asks for, in order; with results=true results too." + resume}, "weighing", "Weighing")
	}
	op := streamOperation(api, huma.Operation{OperationID: "follow-live", Path: liveStreamPath, Tags: []string{"balances"}, Metadata: rightOnly(rights.See),
		Summary: "What balances show, as Server-Sent Events: readings that are no records",
		Description: "Lossy: a reading that is not taken in time is left out, and an event lost says how many were. Nothing can be gone back to; what counts is recorded, and comes by " +
			"weighings/stream. A reading with recorded set tells that a weighing is in the journal now."},
		event{"reading", api.OpenAPI().Components.Schemas.Schema(typeOf[record.Live](), true, "")},
		event{"lost", api.OpenAPI().Components.Schemas.Schema(typeOf[lostReadings](), true, "")})
	huma.Register(api, op, s.followLive)
}

// followRoute registers a stream of the journal whose events have a name and a schema.
func (s *Server) followRoute(api huma.API, op huma.Operation, name, schema string) {
	list := api.OpenAPI().Components.Schemas
	op.Metadata = rightOnly(rights.ReadJournal)
	weighings := name == "weighing"
	op.Parameters = s.filterParameters(weighings, "sort", "limit", "cursor", "count", "since_review", "before", "after")
	op.Parameters = append(op.Parameters, &huma.Param{Name: "after", In: "query", Schema: &huma.Schema{Type: huma.TypeString},
		Description: "Only what comes after this cursor, or this sequence; 0: everything."})
	op = streamOperation(api, op, event{name, &huma.Schema{Ref: "#/components/schemas/" + schema}},
		event{"begin", list.Schema(typeOf[beginOf](), true, "")},
		event{"missing", list.Schema(typeOf[MissingEntries](), true, "")}, event{"end", list.Schema(typeOf[endOf](), true, "")})
	huma.Register(api, op, func(ctx context.Context, in *followRequest) (*huma.StreamResponse, error) {
		kinds, err := kindsOf(in.query, weighings)
		if err != nil {
			return nil, unlisted(err)
		}
		after := in.query.Get("after")
		if in.LastEventID != "" {
			after = in.LastEventID
		}
		in.query.Del("after")
		f, err := s.deps.Follow.Follow(ctx, in.query, after, kinds...)
		if err != nil {
			return nil, s.notFollowed(err)
		}
		return s.stream(rights.ReadJournal, func(ctx context.Context, e *events) { s.follow(ctx, e, f, name) }), nil
	})
}

// filterParameters are those of a list but for some; for weighings, results stands in the place of kind.
func (s *Server) filterParameters(weighings bool, without ...string) (list []*huma.Param) {
	for _, p := range s.deps.Entries.EntryParameters() {
		if slices.Contains(without, p.Name) || weighings && (p.Name == "kind" || p.Name == "since_review") {
			continue
		}
		schema := &huma.Schema{Type: huma.TypeString}
		for _, v := range p.Values {
			schema.Enum = append(schema.Enum, v)
		}
		list = append(list, &huma.Param{Name: p.Name, In: "query", Description: p.About, Schema: schema})
	}
	if weighings {
		list = append(list, &huma.Param{Name: "results", In: "query", Schema: &huma.Schema{Type: huma.TypeString, Enum: []any{"true", "false"}},
			Description: "true: results too, which are no mass: pieces, percent."})
	}
	return list
}

// kindsOf are the kinds that a request for weighings asks for. It takes results out of the request. For others there are none.
func kindsOf(query url.Values, weighings bool) ([]record.Kind, error) {
	if !weighings {
		return nil, nil
	}
	if query.Has("kind") {
		return nil, &record.RequestRefused{Why: "kind cannot be asked for here: see " + entriesPath + " for entries of other kinds"}
	}
	results := query["results"]
	query.Del("results")
	switch {
	case len(results) == 0, len(results) == 1 && (results[0] == "" || results[0] == "false"):
		return []record.Kind{record.KindWeighing}, nil
	case len(results) == 1 && results[0] == "true":
		return []record.Kind{record.KindResult, record.KindWeighing}, nil
	}
	return nil, &record.RequestRefused{Why: "results is true or false, or left out"}
}

// event is one that a stream may send.
type event struct {
	name string
	data *huma.Schema
}

// streamOperation describes a stream in the form that huma's own package for Server-Sent Events has: a list of events. Ids are
// texts here, which that package cannot send.
func streamOperation(api huma.API, op huma.Operation, list ...event) huma.Operation {
	op.Method = http.MethodGet
	var one []*huma.Schema
	for _, e := range list {
		one = append(one, &huma.Schema{Title: "Event " + e.name, Type: huma.TypeObject, Required: []string{"event", "data"},
			Properties: map[string]*huma.Schema{
				"event": {Type: huma.TypeString, Enum: []any{e.name}},
				"id":    {Type: huma.TypeString, Description: "Cursor of the entry."},
				"data":  e.data,
			}})
	}
	op.Responses = map[string]*huma.Response{"200": {Description: "Events, for as long as the client stays.",
		Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{OneOf: one},
			Description: "Each is one event, as the HTML Standard writes them (section 9.2, Server-sent events)."}}}}}
	op.Errors = []int{http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
	return op
}

// stream answers with events for as long as whoever asks may see them and takes them. A client that takes nothing for
// writeTime is dropped; nobody waits for it.
func (s *Server) stream(right rights.Right, run func(context.Context, *events)) *huma.StreamResponse {
	return &huma.StreamResponse{Body: func(c huma.Context) {
		r, w := humago.Unwrap(c)
		select {
		case s.followers <- struct{}{}:
			defer func() { <-s.followers }()
		default:
			w.Header().Set("Retry-After", "10")
			problem(w, http.StatusServiceUnavailable, "Too many streams are open", "Close one that nobody follows, or ask again later.")
			return
		}
		w.Header().Set("Content-Type", "text/event-stream")
		if r.Method == http.MethodHead {
			return
		}
		out := http.NewResponseController(w)
		e := &events{out: out, w: w, still: func() error { return s.stillMay(r, right) }}
		run(r.Context(), e)
	}}
}

// follow sends what a Following gives.
func (s *Server) follow(ctx context.Context, e *events, f Following, name string) {
	begin, _ := json.Marshal(beginOf{f.Cursor()})
	if !e.write([]byte("retry: 1000\n")) || !e.sendAt("begin", f.Cursor(), begin) {
		return
	}
	told, beat := f.Cursor(), time.Now()
	for ctx.Err() == nil {
		if !e.allowed() {
			return
		}
		limit, cancel := context.WithTimeout(ctx, checkEvery)
		list, err := f.More(limit)
		waited := limit.Err() != nil
		cancel()
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !waited:
			s.deps.Log.Warn("a stream of the journal ends", "err", err)
			e.end(err.Error())
			return
		}
		for _, one := range list {
			if !e.follow(name, one) {
				return
			}
			told, beat = one.Cursor, time.Now()
		}
		if !e.flush() {
			return
		}
		if now := f.Cursor(); time.Since(beat) >= beatEvery {
			text := ": still here\n\n"
			if now != told {
				text = "id: " + now + "\n\n"
			}
			if told, beat = now, time.Now(); !e.write([]byte(text)) {
				return
			}
		}
	}
}

// followLive sends readings as they come.
func (s *Server) followLive(_ context.Context, in *liveRequest) (*huma.StreamResponse, error) {
	return s.stream(rights.See, func(ctx context.Context, e *events) {
		sub := s.deps.Live.Watch(streamRoom)
		defer sub.Close()
		tick := time.NewTicker(checkEvery)
		defer tick.Stop()
		lost, beat := uint64(0), time.Now()
		if !e.write([]byte(": what is lost is lost\n\n")) {
			return
		}
		for {
			select {
			case <-ctx.Done():
				return
			case l := <-sub.C:
				if l.Answer != nil || in.Balance != "" && l.Balance != in.Balance {
					continue
				}
				if b, err := json.Marshal(l); err != nil || !e.send("reading", b) {
					return
				}
				beat = time.Now()
			case <-tick.C:
				if !e.allowed() {
					return
				}
				if n := sub.Lost(); n != lost {
					lost, beat = n, time.Now()
					if b, _ := json.Marshal(lostReadings{n}); !e.send("lost", b) {
						return
					}
				}
				if time.Since(beat) >= beatEvery {
					if beat = time.Now(); !e.write([]byte(": still here\n\n")) {
						return
					}
				}
			}
		}
	}), nil
}

// follow writes what was followed into the buffer, and sends that when it is large.
func (e *events) follow(name string, one Followed) bool {
	data := []byte(one.Entry)
	if one.Missing != nil {
		name = "missing"
		data, _ = json.Marshal(one.Missing)
	}
	e.put(name, one.Cursor, data)
	return len(e.buf) < pieceBytes || e.flush()
}

// put writes an event into the buffer. An entry is one line; if one ever were not, each of its lines is one of the event.
func (e *events) put(name, id string, data []byte) {
	if id != "" {
		e.buf = append(append(append(e.buf, "id: "...), id...), '\n')
	}
	e.buf = append(append(e.buf, "event: "...), name...)
	for line := range strings.Lines(string(data)) {
		e.buf = append(append(e.buf, "\ndata: "...), strings.TrimRight(line, "\r\n")...)
	}
	e.buf = append(e.buf, "\n\n"...)
}

// flush sends the buffer.
func (e *events) flush() bool {
	b := e.buf
	e.buf = e.buf[:0]
	return len(b) == 0 || e.write(b)
}

// sendAt sends one event with its id.
func (e *events) sendAt(name, id string, data []byte) bool {
	e.put(name, id, data)
	return e.flush()
}

// end says why a stream ends.
func (e *events) end(why string) {
	b, _ := json.Marshal(endOf{sentence(why)})
	e.sendAt("end", "", b)
}

// allowed says whether the stream may go on, and looks for that once in checkEvery.
func (e *events) allowed() bool {
	if e.still == nil || time.Since(e.looked) < checkEvery {
		return true
	}
	e.looked = time.Now()
	err := e.still()
	if err != nil {
		e.end(err.Error())
	}
	return err == nil
}

// stillMay says in a sentence why whoever sent a request may no longer do what it asked for, or nil. To look is no use of a
// session.
func (s *Server) stillMay(r *http.Request, right rights.Right) error {
	before := rights.From(r.Context())
	again := r.Clone(r.Context())
	again.Header.Set("Accept", "text/event-stream") // see byItself
	who, show := s.identify(again)
	if show.wrong != "" || who.Session != before.Session || who.Person != before.Person {
		return errors.New("what you showed is no longer good for anything: sign in again")
	}
	return who.May(right)
}
