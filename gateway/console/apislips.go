package console

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // kinds of picture that are taken
	_ "image/png"
	"mime"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	slipsPath       = apiPrefix + "slips"
	slipPath        = slipsPath + "/{site}/{incarnation}/{balance}/{number}"
	slipDecidePath  = slipPath + "/decide"
	slipPicturePath = slipPath + "/picture"
	picturesPath    = apiPrefix + "slip-pictures"

	slipsPage = 500
)

// pictureTypes are the kinds of picture that a slip may have: those that every browser shows.
var pictureTypes = []string{"image/jpeg", "image/png"}

// mostPixels bounds what a picture becomes when a browser shows it: 100 million are more than a phone's camera makes.
const mostPixels = 100_000_000

// SlipID names a slip by the id of its entry, part by part. It has a name that the API library may see.
type SlipID struct {
	Site        string `path:"site" maxLength:"63" example:"north-lab"`
	Incarnation string `path:"incarnation" maxLength:"63" example:"7qx3"`
	Balance     string `path:"balance" maxLength:"63" example:"@"`
	Number      string `path:"number" maxLength:"20" example:"000184"`
}

func (s *SlipID) entry() string {
	return s.Site + "/" + s.Incarnation + "/" + s.Balance + "/" + s.Number
}

// SlipOrder is a SlipEntered with who types it in.
type SlipOrder struct {
	SlipEntered
	By string `json:"by,omitempty" maxLength:"128" doc:"Who types it in, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type slipRequest struct{ Body SlipOrder }

// SlipDecision is what a second person says of a slip.
type SlipDecision struct {
	Confirmed bool   `json:"confirmed" doc:"True: it is as on the slip. False: it is turned down, and counts for nothing."`
	Reason    string `json:"reason,omitempty" maxLength:"500" doc:"Why; needed where it is turned down."`
	By        string `json:"by,omitempty" maxLength:"128" doc:"Who says so: left out, or one's own name."`
}

type slipDecideRequest struct {
	SlipID
	Body SlipDecision
}

type slipsQuery struct {
	State   string `query:"state" enum:"waiting,confirmed,turned down" doc:"Left out: any."`
	Balance string `query:"balance" maxLength:"63"`
	Sample  string `query:"sample" maxLength:"128"`
	Limit   int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"500" default:"100"`
}

type slipsAnswer struct {
	Body struct {
		Slips []SlipView `json:"slips" nullable:"false" doc:"Newest first. Of those that are decided the last two thousand; the journal has all."`
	}
}

type slipAnswer struct{ Body SlipView }

type pictureRequest struct {
	Name    string `query:"name" maxLength:"200" doc:"The picture's name, such as slip-b-12.jpg."`
	Type    string `header:"Content-Type"`
	RawBody []byte
}

type pictureAnswer struct{ Body record.KeptFile }

// lateCaution is what every description of late entry says.
const lateCaution = " What is typed in is never a weighing: it counts once another person has held it against the slip. Which of the two is the original the lab declares, by its own rules."

func (s *Server) slipRoutes(api huma.API) {
	if s.deps.Slips == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more + lateCaution, Tags: []string{"slips"},
			Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		return needs(o, right)
	}
	huma.Register(api, op("list-slips", http.MethodGet, slipsPath, "Weighings that were typed in from their slips", "", rights.ReadJournal), s.listSlips)
	huma.Register(api, op("get-slip", http.MethodGet, slipPath, "One slip, with what became of it", "", rights.ReadJournal), s.getSlip)
	huma.Register(api, op("enter-slip", http.MethodPost, slipsPath, "Type in the slip of a weighing that was not read",
		"Digits and unit are taken as they are printed, or refused; nothing is guessed. 409: it may be in the journal already, or something is not known; errors says where.",
		rights.LateEntry), s.enterSlip)
	huma.Register(api, op("decide-slip", http.MethodPost, slipDecidePath, "Confirm a slip against its picture or the paper, or turn it down",
		"By somebody who neither typed it in nor weighed it.", rights.SecondPerson), s.decideSlip)
	if s.deps.Kept != nil {
		s.pictureRoutes(api, op)
	}
	describeTies(api.OpenAPI())
}

// describeTies says of what a slip is tied to that each may be null, as in a weighing: a description made of the type alone does not.
func describeTies(doc *huma.OpenAPI) {
	c := doc.Components.Schemas.Map()["Context"]
	for _, name := range []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot} {
		c.Properties[name] = &huma.Schema{OneOf: []*huma.Schema{{Ref: "#/components/schemas/Learnt"}, {Type: "null"}}}
	}
}

func (s *Server) pictureRoutes(api huma.API, op operations) {
	content := map[string]*huma.MediaType{}
	for _, t := range pictureTypes {
		content[t] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}}
	}
	send := op("send-slip-picture", http.MethodPost, picturesPath, "Send the picture of a slip that is about to be typed in",
		"A PNG or JPEG of at most 10 MiB. The answer's sha256 is what the slip names. The picture is kept beside the journal once a slip names it, and forgotten after an hour where none does.",
		rights.LateEntry)
	send.MaxBodyBytes, send.SkipValidateBody = record.MostKept+1, true
	send.RequestBody = &huma.RequestBody{Required: true, Content: content}
	huma.Register(api, takes(send, bodyForm{types: pictureTypes, limit: record.MostKept, file: true}), s.sendPicture)
	get := op("get-slip-picture", http.MethodGet, slipPicturePath, "The picture of a slip", "", rights.ReadJournal)
	get.Responses = map[string]*huma.Response{"200": {Description: "The picture.", Content: content}}
	huma.Register(api, get, s.getPicture)
}

func (s *Server) listSlips(_ context.Context, in *slipsQuery) (*slipsAnswer, error) {
	a := &slipsAnswer{}
	a.Body.Slips = append([]SlipView{}, s.deps.Slips.Slips(SlipsAsked{State: in.State, Balance: in.Balance, Sample: in.Sample, Limit: min(max(in.Limit, 1), slipsPage)})...)
	return a, nil
}

func (s *Server) getSlip(_ context.Context, in *SlipID) (*slipAnswer, error) {
	v, known := s.deps.Slips.Slip(in.entry())
	if !known {
		return nil, procedureNotDone(record.ErrNoSlip)
	}
	return &slipAnswer{v}, nil
}

func (s *Server) enterSlip(ctx context.Context, in *slipRequest) (*slipAnswer, error) {
	o := in.Body.SlipEntered
	if !s.hasBalance(o.Balance) {
		return nil, s.noBalance()
	}
	if err := mayNow(ctx, rights.LateEntry, o.Balance); err != nil {
		return nil, err
	}
	actor, reason, err := s.deciding(ctx, in.Body.By, o.Reason, true)
	if err != nil {
		return nil, err
	}
	o.Reason = reason
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Slips.EnterSlip(ctx, o, actor)
	if err != nil {
		return nil, s.placedNotDone(err)
	}
	return &slipAnswer{v}, nil
}

func (s *Server) decideSlip(ctx context.Context, in *slipDecideRequest) (*slipAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, !in.Body.Confirmed)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Slips.DecideSlip(ctx, in.entry(), in.Body.Confirmed, reason, actor)
	if err != nil {
		return nil, s.placedNotDone(err)
	}
	return &slipAnswer{v}, nil
}

func (s *Server) sendPicture(_ context.Context, in *pictureRequest) (*pictureAnswer, error) {
	if kind, _, _ := mime.ParseMediaType(in.Type); KeptType(in.RawBody) != kind {
		return nil, notTaken("the picture is not what its Content-Type says: a PNG or JPEG begins with signs of its own")
	}
	if err := CheckPicture(in.RawBody); err != nil {
		return nil, notTaken(err.Error())
	}
	name, err := keptName(in.Name)
	if err != nil {
		return nil, err
	}
	f, err := s.deps.Slips.HoldPicture(name, in.RawBody)
	if err != nil {
		return nil, notNow("The picture could not be taken. " + sentence(err.Error()))
	}
	return &pictureAnswer{f}, nil
}

// CheckPicture says why a file cannot be the picture of a slip, or nil.
func CheckPicture(content []byte) error {
	c, _, err := image.DecodeConfig(bytes.NewReader(content))
	switch {
	case err != nil:
		return fmt.Errorf("the picture cannot be read: %w", err)
	case c.Width < 1 || c.Height < 1 || int64(c.Width)*int64(c.Height) > mostPixels:
		return fmt.Errorf("the picture has %d × %d points, and at most %d million are shown: take it again with fewer", c.Width, c.Height, mostPixels/1_000_000)
	}
	return nil
}

func (s *Server) getPicture(_ context.Context, in *SlipID) (*huma.StreamResponse, error) {
	v, known := s.deps.Slips.Slip(in.entry())
	if !known {
		return nil, procedureNotDone(record.ErrNoSlip)
	}
	if v.Picture == nil {
		return nil, &problemDocument{"about:blank", "There is no picture", http.StatusNotFound, "No picture of this slip was kept: look at the paper."}
	}
	content, err := s.deps.Kept.KeptFile(*v.Picture)
	if err == nil && KeptType(content) == "" {
		err = errors.New("the file is of no kind that is kept")
	}
	if err != nil {
		return nil, unlisted(err)
	}
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		WriteKept(w, *v.Picture, content)
	}}, nil
}
