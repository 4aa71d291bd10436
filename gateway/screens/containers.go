package screens

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) containerPages() []row {
	return []row{
		{"/containers", rights.See, s.showContainers},
		{"/containers/{container}", rights.See, s.showContainer},
		{"/labels/containers", rights.See, s.containerLabels},
		{"/slips", rights.ReadJournal, s.showSlips},
	}
}

// vessel is a container as pages show it.
type vessel struct {
	console.ContainerView
	Look fitLook
}

func vesselOf(v console.ContainerView, now time.Time) vessel {
	look := fitLook{Word: "can be used", Shape: "well", Class: "good"}
	switch {
	case v.Withdrawn:
		look = fitLook{Word: "withdrawn", Shape: "not-said", Class: "said"}
	case v.InRun != "" && (v.Expires == nil || now.Before(v.Expires.Time())):
		look = fitLook{Word: "in a run", Shape: "moving", Class: "said"}
	case v.Unfit != "":
		look = fitLook{Word: "not to be used", Shape: "error", Class: "bad"}
	}
	return vessel{v, look}
}

// Address is where the API has it.
func (v vessel) Address() string { return "/api/v1/containers/" + url.PathEscape(v.ID) }

// More is what else is known of it.
func (v vessel) More() string {
	var all []string
	for _, name := range slices.Sorted(maps.Keys(v.Fields)) {
		all = append(all, spacedWords(name)+" "+v.Fields[name])
	}
	return strings.Join(all, ", ")
}

// Last is its newest empty mass, or nil.
func (v vessel) Last() *console.EmptyMass {
	if len(v.Empty) == 0 {
		return nil
	}
	return &v.Empty[0]
}

// containersPage is the register.
type containersPage struct {
	Rows                    []vessel
	Sorts                   []string
	Sort, Begin             string
	Withdrawn               bool
	Next, First, LabelsHere string // addresses, or ""
	May                     bool
}

// Asked says whether not all are shown that can be.
func (p *containersPage) Asked() bool { return p.Sort != "" || p.Begin != "" }

const (
	containersLimit = 100
	labelsLimit     = 200 // on one page to print
)

// noContainers answers where there is no register.
func (s *Screens) noContainers(w http.ResponseWriter, r *http.Request) bool {
	if s.deps.Containers == nil {
		s.sorry(w, r, http.StatusNotFound, "There is no register of containers", "This weighpost looks after no procedures, and has no register of containers.")
	}
	return s.deps.Containers == nil
}

// showContainers answers: which crucibles, filters and vials are there, and which can be used now?
func (s *Screens) showContainers(w http.ResponseWriter, r *http.Request) {
	if s.noContainers(w, r) {
		return
	}
	q, now := r.URL.Query(), s.today()
	p := &containersPage{Sort: q.Get("sort"), Begin: q.Get("begin"), Withdrawn: q.Get("withdrawn") == "true", May: s.who(r).Can(string(rights.Containers)), Sorts: s.deps.Containers.ContainerSorts()}
	list := s.deps.Containers.Containers(console.ContainersAsked{Sort: p.Sort, Begin: p.Begin, After: q.Get("after"), Withdrawn: p.Withdrawn, Limit: containersLimit + 1})
	address := func(path, after string) string {
		to := url.Values{"sort": {p.Sort}, "begin": {p.Begin}, "withdrawn": {strconv.FormatBool(p.Withdrawn)}}
		if after != "" {
			to.Set("after", after)
		}
		return path + "?" + to.Encode()
	}
	if len(list) > containersLimit {
		list = list[:containersLimit]
		p.Next = address("/containers", list[containersLimit-1].ID)
	}
	if q.Get("after") != "" {
		p.First = address("/containers", "")
	}
	for _, one := range list {
		p.Rows = append(p.Rows, vesselOf(one, now))
	}
	p.LabelsHere = address("/labels/containers", q.Get("after"))
	s.show(w, r, page{Template: "containers.html", Title: "Containers", Place: "/weighed", Scripts: []string{"containers.js"}, Data: p})
}

// containerPage is one container.
type containerPage struct {
	vessel
	May     bool
	MayRead bool
}

func (s *Screens) showContainer(w http.ResponseWriter, r *http.Request) {
	if s.noContainers(w, r) {
		return
	}
	id := r.PathValue("container")
	one, known := s.deps.Containers.Container(id)
	if !known {
		s.sorry(w, r, http.StatusNotFound, "There is no such container", "No container of the id "+id+" is registered.")
		return
	}
	who := s.who(r)
	d := &containerPage{vesselOf(one, s.today()), who.Can(string(rights.Containers)) && !one.Withdrawn, who.Can(string(rights.ReadJournal))}
	s.show(w, r, page{Template: "container.html", Title: "Container " + id, Place: "/weighed", Scripts: []string{"containers.js"}, Data: d})
}

// Day is the day on which it expires, in UTC, for a form.
func (d *containerPage) Day() string {
	if d.Expires == nil {
		return ""
	}
	return d.Expires.Time().UTC().Format(time.DateOnly)
}

// vesselLabel is a label to print; Code is nil where the id cannot be a barcode.
type vesselLabel struct {
	vessel
	Code *barcode
}

// containerLabels are labels to print: of the containers that ?id= names, or of a part of the register.
func (s *Screens) containerLabels(w http.ResponseWriter, r *http.Request) {
	if s.noContainers(w, r) {
		return
	}
	q, now := r.URL.Query(), s.today()
	var views []console.ContainerView
	if named := q["id"]; len(named) > 0 {
		for _, id := range named[:min(len(named), labelsLimit)] {
			if one, known := s.deps.Containers.Container(id); known {
				views = append(views, one)
			}
		}
	} else {
		views = s.deps.Containers.Containers(console.ContainersAsked{Sort: q.Get("sort"), Begin: q.Get("begin"), After: q.Get("after"), Limit: labelsLimit})
	}
	var list []vesselLabel
	for _, one := range views {
		l := vesselLabel{vesselOf(one, now), nil}
		if code, err := bars(one.ID); err == nil {
			l.Code = &code
		}
		list = append(list, l)
	}
	title := "Labels of containers"
	if len(list) == 1 {
		title = fmt.Sprint("Label of ", list[0].ID)
	}
	s.show(w, r, page{Template: "container-labels.html", Title: title, Place: "/weighed", Data: list})
}

// entryAddress is the page of a weighing or of another entry.
func entryAddress(e record.EntryRef) string {
	if strings.Contains(e.ID, "/@/") {
		return "/happened/" + strconv.FormatUint(e.Seq, 10)
	}
	parts := strings.Split(e.ID, "/")
	for i := range parts {
		parts[i] = url.PathEscape(parts[i])
	}
	return "/weighed/" + strings.Join(parts, "/")
}
