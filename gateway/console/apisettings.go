package console

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/settings"
	"weighpost/parsers/strict"
)

// Settings shows and changes what weighpost is set to. Who asks is rights.From(ctx), and each method judges its right at the act.
type Settings interface {
	// Settings gives the configuration that holds in the form of its file, without secrets, and its hash.
	Settings() (doc map[string]any, hash string)
	// ChangeSettings makes a change hold, or has it wait for a person, as policy says. Errors are ErrSettingsMoved, a
	// *SettingsConflict, a *SettingsForbidden, a *rights.Denied, strict.Faults (every mistake, with its path), or say that it
	// could not be recorded. After each of them nothing has changed.
	ChangeSettings(ctx context.Context, c SettingsChange) (SettingsAnswer, error)
	// PendingSettings gives the change that waits, or nil.
	PendingSettings() *PendingSettings
	// DecideSettings adopts the change that waits, or turns it down. Errors are as those of ChangeSettings.
	DecideSettings(ctx context.Context, d SettingsDecision) (SettingsAnswer, error)
	// CompareSettings says what differs between two configurations as entries of the kinds configured and settings-pending hold
	// them.
	CompareSettings(before, after json.RawMessage) ([]SettingsDifference, error)
	// LayoutInForce gives what describes a balance's lines: as a document, and as its file says it. false: there is no such balance.
	LayoutInForce(balance string) (doc map[string]any, text string, ok bool)
}

// SettingsChange is one change that is asked for: a patch, or one balance or sink.
type SettingsChange struct {
	Seen   []string // hashes that the sender saw; one of them has to be that of what holds
	By     record.Actor
	Reason string
	DryRun bool // nothing is done
	Patch  any  // RFC 7396, on the document that Settings gives; nil where List is set

	List, ID string         // balances or sinks, and the id of the one that is meant
	Item     map[string]any // what it is to be; nil: it goes

	// Layout is what describes the lines of the balance from now on; nil: what its settings name. It is written as a file of its
	// own in the folder layouts, which the settings then name. Frames are read by it where it is only tried.
	Layout map[string]any
	Frames [][]byte
}

// SettingsDecision is what somebody decides of a change that waits.
type SettingsDecision struct {
	Change string // its id
	Adopt  bool
	By     record.Actor
	Reason string
}

// What became of a change.
const (
	SettingsHold    = "holds"       // it is in force
	SettingsWait    = "waits"       // it, or a part of it, waits for a person
	SettingsSame    = "the-same"    // it says what is
	SettingsValid   = "valid"       // it was only tried
	SettingsInvalid = "invalid"     // it was only tried, and has mistakes
	SettingsDropped = "turned-down" // somebody decided against it
)

// SettingsAnswer says what became of a change.
type SettingsAnswer struct {
	Outcome  string   `json:"outcome" enum:"holds,waits,the-same,valid,invalid,turned-down" doc:"What became of the change."`
	Hash     string   `json:"hash" doc:"Of the settings that hold now: the entity tag."`
	Changes  []string `json:"changes" nullable:"false" doc:"A sentence for each difference that it makes, or would make."`
	Sections []string `json:"sections" nullable:"false" doc:"The parts of the settings that it touches."`
	// Differences says the same as Changes by key.
	Differences []SettingsDifference `json:"differences" nullable:"false" doc:"What the file says before and after, by key."`
	Read        []FrameRead          `json:"read,omitempty" doc:"The frames that were sent along, as the layout that was only tried reads them."`
	Pending     string               `json:"pending,omitempty" doc:"Id of the change that waits for a person."`
	Note        string               `json:"note,omitempty" doc:"What else is to be known."`
	Mistakes    []Mistake            `json:"mistakes" nullable:"false" doc:"Every mistake, where it was only tried."`
}

// SettingsDifference is one key that a change touches.
type SettingsDifference struct {
	Path   string `json:"path" doc:"Which key: balances[b-1].port.speed."`
	From   string `json:"from" doc:"What the file says before; empty: nothing is written there, and what applies then holds."`
	To     string `json:"to" doc:"What the file says after; empty as in from."`
	Secret bool   `json:"secret,omitempty" doc:"Where a secret is kept: the values are withheld."`
}

// FrameRead is a frame as a layout reads it.
type FrameRead struct {
	Frame  []byte       `json:"frame" doc:"As received."`
	Pieces []FramePiece `json:"pieces" nullable:"false" doc:"What each piece of the template takes, as far as the frame fits."`
	Why    string       `json:"why,omitempty" doc:"Why it is no reading; absent where it is one."`
}

// FramePiece is what one piece of a layout's template takes of a frame.
type FramePiece struct {
	Name string `json:"name" doc:"Name of the field; empty for text that always stands there."`
	From int    `json:"from" doc:"Its first byte in the frame, from 0."`
	To   int    `json:"to" doc:"The byte behind its last."`
}

// Mistake is one thing that is wrong with a change.
type Mistake struct {
	Path    string `json:"path" doc:"Where: balances[0].port.speed; empty for all of it."`
	What    string `json:"what" doc:"What is wrong."`
	Allowed string `json:"allowed,omitempty" doc:"What would be right, where that can be said in short."`
}

// PendingSettings is a change that waits for a person.
type PendingSettings struct {
	Change   string   `json:"change" doc:"Its id: a hash of what is and what would be, so that what was seen is what is adopted."`
	Sections []string `json:"sections" nullable:"false"`
	Changes  []string `json:"changes" nullable:"false" doc:"A sentence for each difference."`
	// Differences says the same by key.
	Differences []SettingsDifference `json:"differences" nullable:"false" doc:"What the file says of what holds, and of what would, by key."`
	Needs       string               `json:"needs" enum:"one,two" doc:"How many people it takes, as policy says."`
	Proposed    []record.Actor       `json:"proposed" nullable:"false" doc:"Everybody whose proposal is in it."`
	Reason      string               `json:"reason,omitempty" doc:"Why it was proposed, where that was said."`
	TurnedDown  bool                 `json:"turned_down,omitempty" doc:"Somebody decided against it, and the file says so all the same."`
	Whole       bool                 `json:"whole,omitempty" doc:"Nothing else of the file was taken either: its parts do not fit the rest of what holds."`
	Since       record.UTC           `json:"since"`
}

// ErrSettingsMoved says that the settings are others than those that were seen.
var ErrSettingsMoved = errors.New("the settings are no longer those that were seen")

// SettingsConflict says in a sentence why a change cannot be made as things are.
type SettingsConflict struct{ Why string }

func (s *SettingsConflict) Error() string { return s.Why }

// SettingsForbidden says in a sentence why somebody who has the right may not do this all the same.
type SettingsForbidden struct{ Why string }

func (s *SettingsForbidden) Error() string { return s.Why }

const (
	settingsPath = apiPrefix + "settings"
	pendingPath  = settingsPath + "/pending"
)

// SettingsSeen is which settings the sender of a change saw. It has a name that the API library may see.
type SettingsSeen struct {
	IfMatch string `header:"If-Match" doc:"The entity tag of the settings that you saw, as GET gave it (RFC 9110, section 13.1.1)."`
}

type settingsAnswer struct {
	ETag string `header:"ETag"`
	Body map[string]any
}

type settingsSection struct {
	Section string `path:"section" doc:"A part of the settings, by its name at the top: clock."`
}

type sectionAnswer struct {
	ETag string `header:"ETag"`
	Body struct {
		Section string `json:"section"`
		Value   any    `json:"value" doc:"As the document at settings has it; null where nothing is set."`
	}
}

type settingsPatch struct {
	SettingsSeen
	RawBody []byte `contentType:"application/json"`
}

// SettingsItem names a balance or a sink. It has a name that the API library may see.
type SettingsItem struct {
	ID string `path:"id" doc:"Id of the balance or sink." example:"b-12"`
	SettingsSeen
}

type settingsPut struct {
	SettingsItem
	RawBody []byte `contentType:"application/json"`
}

type settingsDelete struct {
	SettingsItem
	Reason string `query:"reason" doc:"Why, for whoever reads the journal later." maxLength:"500"`
	By     string `query:"by" doc:"Who asks for it. Needed with the host's token." maxLength:"128"`
	DryRun bool   `query:"dry_run" doc:"true: nothing is done."`
}

type settingsDecide struct {
	ID      string `path:"id" doc:"Id of the change that waits."`
	RawBody []byte `contentType:"application/json"`
}

type settingsDone struct {
	ETag string `header:"ETag"`
	Body SettingsAnswer
}

type pendingAnswer struct {
	Body struct {
		Pending *PendingSettings `json:"pending,omitempty" doc:"Absent: nothing waits."`
	}
}

func (s *Server) settingsRoutes(api huma.API) {
	if s.deps.Settings == nil {
		return
	}
	errs := refusals(http.StatusConflict, http.StatusPreconditionFailed, http.StatusPreconditionRequired, http.StatusServiceUnavailable)
	op := func(id, method, path, summary, more string, right rights.Right, errs []int) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"settings"},
			Errors: errs, SkipValidateBody: true}
		if method != http.MethodGet {
			o.Middlewares = huma.Middlewares{patient}
		}
		return needs(o, right)
	}
	const how = "If-Match names the settings that were seen: 428 without it, 412 where they moved. The change is one entry, with old, new, who and why. " +
		"Where policy says so it waits for another person (outcome waits). A secret is never sent: only where it is kept, in the folder secrets beside the " +
		"configuration file or where one is in use already. What belongs to the host does not change this way: the site's name, folders, the page."
	huma.Register(api, op("get-settings", http.MethodGet, settingsPath, "The settings that hold, without secrets",
		"What is as it would be if nothing were written is left out. The entity tag is the hash that every record names.", rights.ReadSettings, nil), s.getSettings)
	huma.Register(api, op("get-settings-section", http.MethodGet, settingsPath+"/{section}", "One part of the settings that hold", "",
		rights.ReadSettings, []int{http.StatusNotFound}), s.getSection)
	huma.Register(api, op("change-settings", http.MethodPatch, settingsPath, "Change settings",
		"change is a merge patch (RFC 7396) on the document that GET gives. It takes the right of each part that it touches. "+how, rights.Settings, errs), s.patchSettings)
	for _, list := range []struct {
		name  string
		one   string
		right rights.Right
	}{{"balances", "balance", rights.Balances}, {"sinks", "sink", rights.Sinks}} {
		path := settingsPath + "/" + list.name + "/{id}"
		huma.Register(api, op("put-settings-"+list.one, http.MethodPut, path, "Set one "+list.one+", or add it", how, list.right, errs),
			func(ctx context.Context, in *settingsPut) (*settingsDone, error) {
				return s.putItem(ctx, in, list.name)
			})
		huma.Register(api, op("delete-settings-"+list.one, http.MethodDelete, path, "Take one "+list.one+" away", how, list.right, errs),
			func(ctx context.Context, in *settingsDelete) (*settingsDone, error) {
				return s.deleteItem(ctx, in, list.name)
			})
	}
	huma.Register(api, op("get-pending-settings", http.MethodGet, pendingPath, "The change that waits for a person", "", rights.ReadSettings, nil), s.getPending)
	decide := refusals(http.StatusConflict, http.StatusPreconditionFailed, http.StatusServiceUnavailable)
	huma.Register(api, op("adopt-settings", http.MethodPost, pendingPath+"/{id}/adopt", "Adopt the change that waits",
		"It takes the right of each part that it touches beside, and a person: neither the host's token nor a program's key. Where policy says two, it is "+
			"another than everybody who has proposed it. 412: another change waits now.", rights.Adopt, decide),
		func(ctx context.Context, in *settingsDecide) (*settingsDone, error) { return s.decide(ctx, in, true) })
	huma.Register(api, op("turn-down-settings", http.MethodPost, pendingPath+"/{id}/turn-down", "Turn down the change that waits",
		"The file is put back as far as it is about this change; what it said is kept beside it.", rights.Adopt, decide),
		func(ctx context.Context, in *settingsDecide) (*settingsDone, error) { return s.decide(ctx, in, false) })
	describeSettings(api.OpenAPI())
}

func tagOf(hash string) string { return `"` + hash + `"` }

func (s *Server) getSettings(context.Context, *struct{}) (*settingsAnswer, error) {
	doc, hash := s.deps.Settings.Settings()
	return &settingsAnswer{tagOf(hash), doc}, nil
}

func (s *Server) getSection(_ context.Context, in *settingsSection) (*sectionAnswer, error) {
	doc, hash := s.deps.Settings.Settings()
	value, set := doc[in.Section]
	if !set && !slices.Contains(s.deps.SettingsSections, in.Section) {
		return nil, &problemDocument{"about:blank", "There is no such part of the settings", http.StatusNotFound,
			"There are: " + strings.Join(s.deps.SettingsSections, ", ") + "."}
	}
	answer := &sectionAnswer{ETag: tagOf(hash)}
	answer.Body.Section, answer.Body.Value = in.Section, value
	return answer, nil
}

func (s *Server) getPending(context.Context, *struct{}) (*pendingAnswer, error) {
	answer := &pendingAnswer{}
	answer.Body.Pending = s.deps.Settings.PendingSettings()
	return answer, nil
}

// hashes gives the settings that a request names as seen: strong entity tags only.
func (in SettingsSeen) hashes() ([]string, error) {
	var list []string
	for one := range strings.SplitSeq(in.IfMatch, ",") {
		one = strings.TrimSpace(one)
		if len(one) > 2 && one[0] == '"' && one[len(one)-1] == '"' {
			list = append(list, one[1:len(one)-1])
		}
	}
	if in.IfMatch == "" || in.IfMatch == "*" { // RFC 6585, section 3; any settings at all is not what somebody saw
		return nil, &problemDocument{"about:blank", "Say which settings you saw", http.StatusPreconditionRequired,
			"Send the header If-Match with the entity tag that GET " + settingsPath + " gave."}
	}
	return list, nil
}

// asked is the body of a request that changes something.
type asked struct {
	by, reason string
	dryRun     bool
	value      any
	layout     map[string]any // beside settings of a balance
	frames     [][]byte
}

// Bounds of the frames that are read by a layout which is only tried.
const (
	mostFrames     = 20
	mostFrameBytes = 4 << 10
)

// framesOf takes frames that were sent along, in base64.
func framesOf(v any) (frames [][]byte, fits bool) {
	list, ok := v.([]any)
	if !ok || len(list) > mostFrames {
		return nil, false
	}
	for _, one := range list {
		text, ok := one.(string)
		if !ok || base64.StdEncoding.DecodedLen(len(text)) > mostFrameBytes+2 {
			return nil, false
		}
		b, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			return nil, false
		}
		frames = append(frames, b)
	}
	return frames, true
}

// readAsked reads such a body. name is the member beside which the others stand; "": there is none.
func readAsked(b []byte, name string) (a asked, err error) {
	doc, err := settings.Decode(b)
	if err != nil {
		return a, fmt.Errorf("the request %w", err)
	}
	o, ok := doc.(map[string]any)
	if !ok {
		return a, errors.New("the request is no object")
	}
	for key, value := range o {
		fits := true
		switch {
		case key == "by":
			a.by, fits = value.(string)
		case key == "reason":
			a.reason, fits = value.(string)
		case key == "dry_run" && name != "":
			a.dryRun, fits = value.(bool)
		case key == name && name != "":
			a.value, fits = value.(map[string]any)
		case key == "layout" && name == "settings":
			a.layout, fits = value.(map[string]any)
		case key == "frames" && name == "settings":
			a.frames, fits = framesOf(value)
		default:
			return a, fmt.Errorf("%.60q is unknown: a request has %s", key, strings.Join(memberNames(name), ", "))
		}
		if !fits {
			return a, fmt.Errorf("%s is not of the form that it should be", key)
		}
	}
	if name != "" && a.value == nil {
		return a, fmt.Errorf("%s is missing", name)
	}
	return a, a.check()
}

func memberNames(name string) []string {
	if name == "" {
		return []string{"reason", "by"}
	}
	if name == "settings" {
		return []string{name, "layout", "frames", "reason", "by", "dry_run"}
	}
	return []string{name, "reason", "by", "dry_run"}
}

func (a asked) check() error {
	if err := record.CheckReason(a.reason); err != nil {
		return fmt.Errorf("the reason %w", err)
	}
	if a.by != "" {
		if err := record.CheckActorName(a.by); err != nil {
			return fmt.Errorf("by %w", err)
		}
	}
	return nil
}

func (s *Server) patchSettings(ctx context.Context, in *settingsPatch) (*settingsDone, error) {
	a, err := readAsked(in.RawBody, "change")
	if err != nil {
		return nil, badBody(in.RawBody, `{"change": {…}, "reason": "…"}`, err)
	}
	return s.changeSettings(ctx, in.SettingsSeen, a, SettingsChange{Patch: a.value})
}

func (s *Server) putItem(ctx context.Context, in *settingsPut, list string) (*settingsDone, error) {
	a, err := readAsked(in.RawBody, "settings")
	if err != nil {
		return nil, badBody(in.RawBody, `{"settings": {…}, "reason": "…"}`, err)
	}
	item, _ := a.value.(map[string]any)
	if id, named := item["id"]; named && id != in.ID {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity,
			"The id in the settings is another than that of the address: an id is never given to another one."}
	}
	if list != "balances" && (a.layout != nil || a.frames != nil) {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, "Only a balance has a layout."}
	}
	item["id"] = in.ID
	return s.changeSettings(ctx, in.SettingsSeen, a, SettingsChange{List: list, ID: in.ID, Item: item, Layout: a.layout, Frames: a.frames})
}

func (s *Server) deleteItem(ctx context.Context, in *settingsDelete, list string) (*settingsDone, error) {
	a := asked{by: in.By, reason: in.Reason, dryRun: in.DryRun}
	if err := a.check(); err != nil {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence(err.Error())}
	}
	return s.changeSettings(ctx, in.SettingsSeen, a, SettingsChange{List: list, ID: in.ID})
}

func (s *Server) changeSettings(ctx context.Context, seen SettingsSeen, a asked, c SettingsChange) (*settingsDone, error) {
	hashes, err := seen.hashes()
	if err != nil {
		return nil, err
	}
	if c.By, err = namedActor(ctx, a.by); err != nil {
		return nil, err
	}
	c.Seen, c.Reason, c.DryRun = hashes, a.reason, a.dryRun
	return s.settingsDone(s.deps.Settings.ChangeSettings(ctx, c))
}

func (s *Server) decide(ctx context.Context, in *settingsDecide, adopt bool) (*settingsDone, error) {
	a, err := readAsked(in.RawBody, "")
	if err != nil {
		return nil, badBody(in.RawBody, `{"reason": "…"}`, err)
	}
	by, err := namedActor(ctx, a.by)
	if err != nil {
		return nil, err
	}
	return s.settingsDone(s.deps.Settings.DecideSettings(ctx, SettingsDecision{Change: in.ID, Adopt: adopt, By: by, Reason: a.reason}))
}

// settingsDone turns what became of a change into an answer.
func (s *Server) settingsDone(a SettingsAnswer, err error) (*settingsDone, error) {
	problem := func(title string, status int, detail string) error {
		return &problemDocument{"about:blank", title, status, sentence(detail)}
	}
	var (
		faults    strict.Faults
		conflict  *SettingsConflict
		forbidden *SettingsForbidden
		denied    *rights.Denied
	)
	switch {
	case err == nil:
		a.Differences = append([]SettingsDifference{}, a.Differences...)
		a.Changes, a.Sections, a.Mistakes = append([]string{}, a.Changes...), append([]string{}, a.Sections...), append([]Mistake{}, a.Mistakes...)
		return &settingsDone{tagOf(a.Hash), a}, nil
	case errors.Is(err, ErrSettingsMoved):
		return nil, problem("What you saw has changed since", http.StatusPreconditionFailed, err.Error()+": get them again, and see whether you still want this")
	case errors.As(err, &faults):
		wrong := &problemDocument{"about:blank", "The change has mistakes", http.StatusUnprocessableEntity, sentence("what is wrong: " + mistakesText(faults))}
		return nil, &faultyDocument{wrong, faultyPlaces(faults)}
	case errors.As(err, &conflict):
		return nil, problem("The change cannot be made as things are", http.StatusConflict, conflict.Why)
	case errors.As(err, &forbidden):
		return nil, problem(notAllowed, http.StatusForbidden, forbidden.Why)
	case errors.As(err, &denied):
		return nil, problem(notAllowed, http.StatusForbidden, denied.Error())
	}
	return nil, notNow(sentence(err.Error()) + " See what holds before it is sent again.")
}

// faultyDocument is a problem with the place of each mistake (RFC 9457, section 3.2).
type faultyDocument struct {
	*problemDocument
	Errors []FaultyPlace `json:"errors"`
}

// FaultyPlace is one mistake and where it is.
type FaultyPlace struct {
	Location string `json:"location" doc:"Which setting: balances[0].port.speed; empty for all of it."`
	Message  string `json:"message" doc:"What is wrong, and what would be right."`
}

func faultyPlaces(faults strict.Faults) (list []FaultyPlace) {
	for _, f := range faults {
		said := f.What
		if f.Allowed != "" {
			said += "; allowed: " + f.Allowed
		}
		list = append(list, FaultyPlace{f.Path, said})
	}
	return list
}

// mistakesText says the first of many mistakes.
func mistakesText(faults strict.Faults) string {
	const most = 20
	var lines []string
	for _, f := range faults[:min(len(faults), most)] {
		f.File, f.Line = "", 0
		lines = append(lines, strings.TrimPrefix(f.Error(), ": "))
	}
	if more := len(faults) - most; more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(lines, "; ")
}

// describeSettings writes the bodies of the requests into the description.
func describeSettings(doc *huma.OpenAPI) {
	body := func(b *huma.RequestBody, name, about string, types []string) {
		properties := map[string]*huma.Schema{
			"reason": words(500, "Why, for whoever reads the journal later."),
			"by":     words(128, "Who asks for it. "+byNote),
		}
		needed := []string{"reason"}
		if name != "" {
			properties["dry_run"] = &huma.Schema{Type: huma.TypeBoolean, Description: "true: nothing is done, and every mistake is told with its path."}
			properties[name] = &huma.Schema{Type: huma.TypeObject, Description: about, AdditionalProperties: true}
			needed = append(needed, name)
		}
		b.Required, b.Content = true, map[string]*huma.MediaType{}
		for _, kind := range types {
			b.Content[kind] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Required: needed, Properties: properties}}
		}
	}
	describeFaulty(doc)
	paths := doc.Paths
	body(paths[settingsPath].Patch.RequestBody, "change", "A merge patch (RFC 7396) on the document that GET gives: null takes a setting away.", bodyTypes[http.MethodPatch])
	for _, list := range []string{"balances", "sinks"} {
		put := paths[settingsPath+"/"+list+"/{id}"].Put.RequestBody
		body(put, "settings", "What it is set to, as the document at settings has it.", bodyTypes[http.MethodPut])
		if list == "balances" {
			describeLayout(put)
		}
	}
	for _, act := range []string{"adopt", "turn-down"} {
		body(paths[pendingPath+"/{id}/"+act].Post.RequestBody, "", "", bodyTypes[http.MethodPost])
	}
}

// describeLayout adds what a balance may bring along.
func describeLayout(b *huma.RequestBody) {
	for _, content := range b.Content {
		content.Schema.Properties["layout"] = &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true,
			Description: "What describes the balance's lines, with the keys of a layout file. It is written as a file of its own in the folder layouts beside the " +
				"configuration file, and the settings name that."}
		most := mostFrames
		content.Schema.Properties["frames"] = &huma.Schema{Type: huma.TypeArray, MaxItems: &most, Items: &huma.Schema{Type: huma.TypeString, ContentEncoding: "base64"},
			Description: "With dry_run and layout: frames of the balance, each of at most 4096 bytes. The answer says how the layout reads them."}
	}
}

// describeFaulty says that a problem may tell the place of each mistake.
func describeFaulty(doc *huma.OpenAPI) {
	for name, schema := range doc.Components.Schemas.Map() {
		if name == "ProblemDocument" {
			text := func(about string) *huma.Schema { return &huma.Schema{Type: huma.TypeString, Description: about} }
			schema.Properties["errors"] = &huma.Schema{Type: huma.TypeArray, Description: "Every mistake with its place, where a change of settings has some.",
				Items: &huma.Schema{Type: huma.TypeObject, Properties: map[string]*huma.Schema{
					"location": text("Which setting: balances[0].port.speed; empty for all of it."), "message": text("What is wrong, and what would be right.")}}}
		}
	}
}
