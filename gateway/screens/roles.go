package screens

import (
	"cmp"
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/rights"
)

// rolesFacts is what the page on roles and rights shows.
type rolesFacts struct {
	Roles  []rights.RoleView
	Rights []rightRow
	On     string // the day that is asked about, 2006-01-02
	Right  rights.Right
	All    []rights.Right
	At     time.Time
	Held   []rights.Holding
	More   int    // that are not shown
	Wrong  string // what is wrong with the question
}

// rightRow is one right, and which of the roles give it.
type rightRow struct {
	Right rights.Right
	By    []bool
}

// heldShown is how many spans over which somebody held a right are shown.
const heldShown = 1000

// roles shows what each role gives, and who held which right at the end of a day.
func (s *Screens) roles(w http.ResponseWriter, r *http.Request) {
	who, q := rights.From(r.Context()), r.URL.Query()
	list, err := s.deps.Access.Roles(who)
	if err != nil {
		s.refusedPage(w, r, "The roles cannot be shown", err)
		return
	}
	f := rolesFacts{Roles: list, All: rights.All(), On: cmp.Or(q.Get("on"), time.Now().Format(time.DateOnly)), Right: rights.Right(q.Get("right"))}
	slices.SortStableFunc(f.Roles, func(a, b rights.RoleView) int {
		return cmp.Or(boolFirst(a.Default, b.Default), cmp.Compare(a.Name, b.Name))
	})
	for _, right := range f.All {
		row := rightRow{Right: right}
		for _, role := range f.Roles {
			row.By = append(row.By, slices.Contains(role.Rights, right))
		}
		f.Rights = append(f.Rights, row)
	}
	if q.Has("on") || q.Has("right") {
		if err := s.held(r, &f); err != nil {
			s.refusedPage(w, r, "Who held which right cannot be shown", err)
			return
		}
	}
	s.show(w, r, page{Template: "roles.html", Title: "Roles and rights", Place: peoplePlace, Data: f})
}

func boolFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// held works out who held a right at the end of a day, or now where that is still to come.
func (s *Screens) held(r *http.Request, f *rolesFacts) error {
	day, err := time.ParseInLocation(time.DateOnly, f.On, time.Local)
	if err != nil {
		f.Wrong = "This is no day: write it as 2026-11-25."
		return nil
	}
	if f.At = day.AddDate(0, 0, 1).Add(-time.Nanosecond); f.At.After(time.Now()) {
		f.At = time.Now()
	}
	list, err := s.deps.Access.HeldOn(r.Context(), rights.From(r.Context()), f.At)
	if err != nil {
		return err
	}
	for _, h := range list {
		if f.Right != "" && h.Right != f.Right {
			continue
		}
		if len(f.Held) < heldShown {
			f.Held = append(f.Held, h)
		} else {
			f.More++
		}
	}
	return nil
}
