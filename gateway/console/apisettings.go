package console

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

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

// SettingsItem names a balance or a sink by its id, or a check by its name. It has a name that the API library may see.
type SettingsItem struct {
	ID string `path:"id" doc:"Id of the balance or sink, name of the check." example:"b-12"`
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
	}{{"balances", "balance", rights.Balances}, {"sinks", "sink", rights.Sinks}, {"checks", "check", rights.Settings}} {
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
	key := "id"
	if list == "checks" {
		key = "name"
	}
	if id, named := item[key]; named && id != in.ID {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity,
			"The " + key + " in the settings is another than that of the address: it is never given to another one."}
	}
	if list != "balances" && (a.layout != nil || a.frames != nil) {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, "Only a balance has a layout."}
	}
	item[key] = in.ID
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
