package gateway

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"path"
	"strings"
	"time"

	"weighpost/configs"
	"weighpost/gateway/console"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
	"weighpost/parsers/strict"
)

// openRuns begins to read procedures and runs, and to look after the runs that are open. Balances are read meanwhile.
func (g *Gateway) openRuns(ctx context.Context) {
	g.runs = runs.New(runs.Options{Dir: g.now.Load().cfg.Journal.Folder, Journal: g.journal, Incarnation: g.journal.Incarnation(), Stamp: g.stamp, Log: g.log,
		Config: func() runs.Config { return g.now.Load().cfg.Procedures }, Lab: lab{g}, Moved: g.ties.look})
	var following group
	following.start(ctx, nil, g.runs.Run)
	following.start(ctx, nil, g.tieRuns)
	following.start(ctx, nil, g.handOver)
	g.runs.Await(ctx, runsAwaited)
	g.life.onStop("what is known of runs", g.hasty("what is known of runs", following.stop))
}

// runsAwaited is how long a start waits until it is known which runs are open. Nothing is lost where it takes longer: weighings wait for their runs.
const runsAwaited = time.Second

// Procedures lists all procedures.
func (g *Gateway) Procedures() []console.ProcedureView {
	list := []console.ProcedureView{}
	for _, p := range g.runs.Procedures() {
		list = append(list, procedureView(p))
	}
	return list
}

// Procedure gives one of them.
func (g *Gateway) Procedure(name string) (console.ProcedureView, bool) {
	p, ok := g.runs.Procedure(name)
	return procedureView(p), ok
}

func procedureView(p runs.Procedure) console.ProcedureView {
	v := console.ProcedureView{Name: p.Name, Adopted: p.Adopted, Versions: []console.ProcedureVersion{}}
	for _, one := range p.Versions {
		v.Versions = append(v.Versions, versionView(one))
		if v.Title == "" || one.ProcedureRef.Version == p.Adopted {
			v.Title = one.Title
		}
	}
	return v
}

func versionView(v runs.Version) console.ProcedureVersion {
	return console.ProcedureVersion{ProcedureRef: v.ProcedureRef, Title: v.Title, State: v.State, Written: v.Written, By: v.By, Reason: v.Reason,
		Decided: v.Decided, Decider: v.Decider, WhyTaken: v.Because}
}

// ProcedureText gives the text of a version exactly as it was written.
func (g *Gateway) ProcedureText(name string, version int) (string, error) {
	p, ok := g.runs.Procedure(name)
	if ok {
		for _, v := range p.Versions {
			if v.ProcedureRef.Version == version {
				return v.Source, nil
			}
		}
	}
	return "", record.ErrNoProcedure
}

// JudgeProcedure gives every mistake of a text, and what it is as a form.
func (g *Gateway) JudgeProcedure(text string) console.ProcedureJudged {
	text = asYAML(text)
	j := console.ProcedureJudged{Faults: []console.ProcedureFault{}, Text: text}
	if len(text) > runs.MostText {
		j.Faults, j.Text = append(j.Faults, console.ProcedureFault{What: "is too long", Allowed: "at most 256 KiB"}), ""
		return j
	}
	def, err := procedure.Parse("procedure", []byte(text))
	j.Faults = append(j.Faults, procedureFaults(err)...)
	if def != nil {
		j.Form = procedure.Form(def)
	}
	return j
}

// asYAML writes a procedure that came as an object of a form as YAML. What is no such object stays as it is.
func asYAML(text string) string {
	if !strings.HasPrefix(strings.TrimSpace(text), "{") {
		return text
	}
	var form map[string]any
	if json.Unmarshal([]byte(text), &form) != nil {
		return text
	}
	if written, err := procedure.Write(form); err == nil {
		return written
	}
	return text
}

// procedureFaults writes what is wrong with a text as the page has it.
func procedureFaults(err error) (list []console.ProcedureFault) {
	var faults strict.Faults
	if errors.As(err, &faults) {
		for _, f := range faults {
			list = append(list, console.ProcedureFault{Line: f.Line, Column: f.Column, Where: f.Path, What: f.What, Allowed: f.Allowed})
		}
		return list
	}
	if err != nil {
		list = append(list, console.ProcedureFault{What: err.Error()})
	}
	return list
}

// WriteProcedure makes a new version of a text without mistakes.
func (g *Gateway) WriteProcedure(ctx context.Context, text, reason string, by record.Actor) (console.ProcedureVersion, error) {
	v, err := g.runs.Write(ctx, asYAML(text), reason, by)
	return versionView(v), err
}

// DecideProcedure adopts a version, turns it down or withdraws it.
func (g *Gateway) DecideProcedure(ctx context.Context, name string, version int, change, reason string, by record.Actor) (console.ProcedureVersion, error) {
	v, err := g.runs.Decide(ctx, name, version, change, reason, by)
	return versionView(v), err
}

// ReadyProcedures are those that come with weighpost.
func (g *Gateway) ReadyProcedures() []console.ReadyProcedure {
	list := []console.ReadyProcedure{}
	files, err := configs.Procedures.ReadDir("procedures")
	if err != nil {
		return list
	}
	for _, f := range files {
		text, err := configs.Procedures.ReadFile(path.Join("procedures", f.Name()))
		if err != nil || !strings.HasSuffix(f.Name(), ".yaml") {
			continue
		}
		def, err := procedure.Parse(f.Name(), text)
		if err != nil { // a test of theirs misses it
			g.log.Error("a procedure that comes with weighpost cannot be read", "name", f.Name(), "err", err)
			continue
		}
		list = append(list, console.ReadyProcedure{Name: def.Name, Title: cmp.Or(def.Title, def.Name), Source: def.Source, Text: string(text)})
	}
	return list
}
