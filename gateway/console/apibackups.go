package console

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Backups makes and lists backups of the journal.
type Backups interface {
	// MakeBackup returns once a backup was made, read back and found good. The error is record.ErrNoBackup,
	// record.ErrBackupBusy, that of ctx, or says why no backup came to be.
	MakeBackup(ctx context.Context, r record.BackupRequest) (record.BackupAnswer, error)
	// NoteVerified records what somebody found out about a backup, and gives the entry's id.
	NoteVerified(ctx context.Context, b *record.Backup) (id string, err error)
	// ListBackups looks at all places. What cannot be looked at is told within the view.
	ListBackups(ctx context.Context) record.BackupView
}

const (
	backupsPath  = apiPrefix + "backups"
	verifiedPath = backupsPath + "/verified"
	// longestBackup bounds how long a request waits for its backup; longestList how long places are looked at.
	longestBackup = 2 * time.Hour
	longestList   = 8 * time.Second
)

type backupsAnswer struct{ Body record.BackupView }

type backupRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type backupAnswer struct{ Body record.BackupAnswer }

// lasting lets an answer take as long as a backup may take.
func lasting(ctx huma.Context, next func(huma.Context)) {
	withPatience(ctx, longestBackup+writeTime, next)
}

func (s *Server) backupRoutes(api huma.API) {
	huma.Register(api, needs(huma.Operation{OperationID: "list-backups", Method: http.MethodGet, Path: backupsPath,
		Summary: "The backups of the journal, and how it stands with them", Tags: []string{"backups"}}, rights.ReadJournal),
		func(ctx context.Context, _ *struct{}) (*backupsAnswer, error) {
			ctx, cancel := context.WithTimeout(ctx, longestList)
			defer cancel()
			return &backupsAnswer{s.deps.Backups.ListBackups(ctx)}, nil
		})
	huma.Register(api, needs(huma.Operation{OperationID: "make-backup", Method: http.MethodPost, Path: backupsPath, Summary: "Make a backup now",
		Description: "Answered once the backup was made, read back and found good, which can take minutes; recording goes on meanwhile. 409: no place " +
			"for backups is configured, or another one is being made. 500: none could be made. Whoever hangs up ends it.",
		Tags: []string{"backups"}, SkipValidateBody: true, Middlewares: huma.Middlewares{lasting},
		Errors: refusals(http.StatusConflict, http.StatusInternalServerError)}, rights.Backup), s.makeBackup)
	huma.Register(api, needs(huma.Operation{OperationID: "note-verified-backup", Method: http.MethodPost, Path: verifiedPath,
		Summary:     "Record what somebody found out about a backup",
		Description: "weighpost backup verify sends it where a daemon has the journal. Answered once it is in the journal.",
		Tags:        []string{"backups"}, SkipValidateBody: true,
		Errors: refusals(http.StatusServiceUnavailable)}, rights.Backup), s.noteVerified)
	describeBackups(api.OpenAPI())
}

// unsaid is who somebody is that gives no name.
const unsaid = "unknown"

type notedAnswer struct {
	Body struct {
		Entry string `json:"entry" doc:"Id of the entry."`
	}
}

func (s *Server) noteVerified(ctx context.Context, in *backupRequest) (*notedAnswer, error) {
	v, err := record.ParseBackupVerified(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"name": "FILE", "where": "FOLDER", "outcome": "good"}`, err)
	}
	if v.By.ID == unsaid {
		v.By.ID = ""
	}
	if v.By, err = actorOf(ctx, v.By.ID); err != nil {
		return nil, err
	}
	if v.By.ID == "" {
		v.By.ID = unsaid
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	answer := &notedAnswer{}
	if answer.Body.Entry, err = s.deps.Backups.NoteVerified(ctx, v); err != nil {
		return nil, notNow("It is not recorded. " + sentence(err.Error()))
	}
	return answer, nil
}

func (s *Server) makeBackup(ctx context.Context, in *backupRequest) (*backupAnswer, error) {
	r, err := record.ParseBackupRequest(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"by": "Ada"}`, err)
	}
	if r.Actor, err = actorOf(ctx, r.By); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestBackup)
	defer cancel()
	made, err := s.deps.Backups.MakeBackup(ctx, r)
	switch {
	case errors.Is(err, record.ErrNoBackup), errors.Is(err, record.ErrBackupBusy):
		return nil, &problemDocument{"about:blank", "No backup was made", http.StatusConflict, sentence(err.Error())}
	case err != nil:
		return nil, &problemDocument{"about:blank", "No backup could be made", http.StatusInternalServerError, sentence(err.Error())}
	}
	return &backupAnswer{made}, nil
}

// describeBackups writes the body of the request into the description.
func describeBackups(doc *huma.OpenAPI) {
	body := doc.Paths[backupsPath].Post.RequestBody
	body.Required = false
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false,
		Properties: map[string]*huma.Schema{
			"by": words(128, "Who asks for it: goes into the journal."),
			"apart": {Type: huma.TypeBoolean, Description: "Only prepare it on the daemon's computer, for whoever takes it from there: nothing is " +
				"copied and nothing is removed. The next backup of this kind replaces it."},
		}, Examples: []any{map[string]any{"by": "Ada"}}}}}
	one := 1
	text, number := &huma.Schema{Type: huma.TypeString}, &huma.Schema{Type: huma.TypeInteger, Minimum: new(float64)}
	body = doc.Paths[verifiedPath].Post.RequestBody
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false,
		Required: []string{"name", "where", "outcome"}, Properties: map[string]*huma.Schema{
			"by":   words(128, "Who found it out."),
			"name": {Type: huma.TypeString, MinLength: &one}, "where": {Type: huma.TypeString, MinLength: &one},
			"outcome": {Type: huma.TypeString, Enum: []any{record.OutcomeGood, record.OutcomeFailed}},
			"why":     text, "sha256": text, "checkpoint": text, "size": number, "entries": number,
		}}}}
}
