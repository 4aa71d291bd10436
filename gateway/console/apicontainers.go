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

const (
	containersPath        = apiPrefix + "containers"
	containerPath         = containersPath + "/{container}"
	containerWithdrawPath = containerPath + "/withdraw"

	containersPage = 1000 // containers in an answer
)

// ContainerID names a container. It has a name that the API library may see.
type ContainerID struct {
	Container string `path:"container" maxLength:"128" doc:"The id of the container, as it stands on it." example:"cr-017"`
}

// ContainerOrder is what is to be known of a container.
type ContainerOrder struct {
	ID      string            `json:"id" minLength:"1" maxLength:"128" doc:"As it stands on it, or on its label. It is never given to another container."`
	Sort    string            `json:"sort,omitempty" maxLength:"63" doc:"crucible, filter, pycnometer, vial, or the lab's own word. Left out: that of the whole request."`
	Lot     string            `json:"lot,omitempty" maxLength:"128" doc:"Left out: that of the whole request."`
	Expires *record.UTC       `json:"expires,omitempty" doc:"Not to be used from then on. Left out: as in the whole request."`
	Fields  map[string]string `json:"fields,omitempty" maxProperties:"32"`
}

// ContainersOrder is what is registered in one go.
type ContainersOrder struct {
	Containers []ContainerOrder `json:"containers" minItems:"1" maxItems:"500" nullable:"false"`
	Sort       string           `json:"sort,omitempty" maxLength:"63" doc:"Of all that name none themselves."`
	Lot        string           `json:"lot,omitempty" maxLength:"128" doc:"Likewise."`
	Expires    *record.UTC      `json:"expires,omitempty" doc:"Likewise."`
	Reason     string           `json:"reason,omitempty" maxLength:"500" doc:"Why what is known of them changes; needed where one is registered already with other facts."`
	By         string           `json:"by,omitempty" maxLength:"128" doc:"Who says so, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type containersRequest struct{ Body ContainersOrder }

type containersQuery struct {
	Sort      string `query:"sort" maxLength:"63" doc:"Of this sort."`
	Begin     string `query:"begin" maxLength:"128" doc:"How the ids begin that are wanted."`
	After     string `query:"after" maxLength:"128" doc:"The id that the page before ended with, as it said in next."`
	Withdrawn bool   `query:"withdrawn" doc:"Those that are withdrawn too."`
	Limit     int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type containersAnswer struct {
	Body struct {
		Containers []ContainerView `json:"containers" nullable:"false" doc:"In the order of their ids, or as they were sent."`
		Next       string          `json:"next,omitempty" doc:"Where the page that follows begins, as its after; absent where this is the last."`
	}
}

type containerAnswer struct{ Body ContainerView }

// ContainerEnd is why a container is withdrawn.
type ContainerEnd struct {
	Reason string `json:"reason" minLength:"1" maxLength:"500" doc:"Why it is not to be used again: cracked, lost, worn."`
	By     string `json:"by,omitempty" maxLength:"128" doc:"Who says so, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type containerEndRequest struct {
	ContainerID
	Body ContainerEnd
}

func (s *Server) containerRoutes(api huma.API) {
	if s.deps.Containers == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"containers"},
			Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		return needs(o, right)
	}
	huma.Register(api, op("list-containers", http.MethodGet, containersPath, "The register of containers", "Crucibles, filters, pycnometers, vials: each with its empty masses, "+
		"the runs that it was in, and why it is not to be used, where that is so.", rights.See), s.listContainers)
	huma.Register(api, op("get-container", http.MethodGet, containerPath, "One container with its history", "", rights.See), s.getContainer)
	huma.Register(api, op("register-containers", http.MethodPost, containersPath, "Register containers, or change what is known of them",
		"All are taken or none. One that is known as it is sent needs no entry, so the same request may come again. 409: one cannot be taken, and why.", rights.Containers),
		s.registerContainers)
	huma.Register(api, op("withdraw-container", http.MethodPost, containerWithdrawPath, "Say that a container is not to be used again", "It stays in the register, with its history.",
		rights.Containers), s.withdrawContainer)
}

func (s *Server) listContainers(_ context.Context, in *containersQuery) (*containersAnswer, error) {
	limit := min(max(in.Limit, 1), containersPage)
	list := s.deps.Containers.Containers(ContainersAsked{Sort: in.Sort, Begin: in.Begin, After: in.After, Withdrawn: in.Withdrawn, Limit: limit + 1})
	a := &containersAnswer{}
	if len(list) > limit {
		list = list[:limit]
		a.Body.Next = list[limit-1].ID
	}
	a.Body.Containers = append([]ContainerView{}, list...)
	return a, nil
}

func (s *Server) getContainer(_ context.Context, in *ContainerID) (*containerAnswer, error) {
	v, known := s.deps.Containers.Container(in.Container)
	if !known {
		return nil, procedureNotDone(record.ErrNoContainer)
	}
	return &containerAnswer{v}, nil
}

func (s *Server) registerContainers(ctx context.Context, in *containersRequest) (*containersAnswer, error) {
	o := in.Body
	actor, reason, err := s.deciding(ctx, o.By, o.Reason, false)
	if err != nil {
		return nil, err
	}
	list := make([]record.Container, len(o.Containers))
	for i, c := range o.Containers {
		list[i] = record.Container{ID: c.ID, Sort: c.Sort, Lot: c.Lot, Expires: c.Expires, Fields: c.Fields}
		if c.Sort == "" {
			list[i].Sort = o.Sort
		}
		if c.Lot == "" {
			list[i].Lot = o.Lot
		}
		if c.Expires == nil {
			list[i].Expires = o.Expires
		}
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	views, err := s.deps.Containers.RegisterContainers(ctx, list, reason, actor)
	if err != nil {
		return nil, s.placedNotDone(err)
	}
	a := &containersAnswer{}
	a.Body.Containers = append([]ContainerView{}, views...)
	return a, nil
}

// placedNotDone is as procedureNotDone, and names the place of what is wrong where that is known.
func (s *Server) placedNotDone(err error) error {
	var refused *record.NotDone
	if errors.As(err, &refused) {
		return s.fitnessNotDone(refused)
	}
	return procedureNotDone(err)
}

func (s *Server) withdrawContainer(ctx context.Context, in *containerEndRequest) (*containerAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, strings.TrimSpace(in.Body.Reason), true)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Containers.WithdrawContainer(ctx, in.Container, reason, actor)
	if err != nil {
		return nil, s.placedNotDone(err)
	}
	return &containerAnswer{v}, nil
}
