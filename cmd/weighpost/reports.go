package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type reportsCommand struct {
	List  reportsList  `cmd:"" help:"List the reports that were issued, newest first."`
	Write reportsWrite `cmd:"" help:"Write a report to a file: one that was issued, or a preview."`
	Issue reportsIssue `cmd:"" help:"Issue a report: it is numbered, kept, and delivered."`
}

// reportCaution stands in the help of each of them.
const reportCaution = "A report shows what was recorded. Local rules and qualified people decide what it may be used for. See: weighpost help reports"

// askReports asks the daemon about reports.
func (h hostFlags) askReports(ctx context.Context, method, path string, body, answer any) error {
	return h.act(ctx, deed{Method: method, Path: "/api/v1/reports" + path, Body: body, Answer: answer, Here: func(context.Context, *config.Config, *journal.Journal) error {
		return errors.New("no daemon has this journal, and only a running one makes reports: start it (weighpost run, or weighpost service start) and ask again")
	}})
}

type reportsList struct {
	hostFlags
	Of    string `enum:",run,day,sample,balance,trail,check" default:"" help:"Only reports of a run, day, sample, balance, trail or check."`
	About string `placeholder:"ID" help:"Only those about this, such as a run's id."`
	JSON  bool   `help:"Print one report a line, as JSON."`
}

func (c reportsList) Run(ctx context.Context, s streams) error {
	table, q := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0), url.Values{"limit": {"1000"}}
	for name, value := range map[string]string{"of": c.Of, "about": c.About} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if !c.JSON {
		fmt.Fprintln(table, "REPORT\tFORM\tOF\tABOUT\tISSUED\tBY\tREPLACES\tSHA-256")
	}
	for {
		var a console.ReportList
		if err := c.askReports(ctx, http.MethodGet, "?"+q.Encode(), nil, &a); err != nil {
			return err
		}
		for _, r := range a.Reports {
			if c.JSON {
				if err := json.NewEncoder(s.out).Encode(r); err != nil {
					return err
				}
				continue
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", plain(r.Report), plain(cmp.Or(r.Form, record.ReportPDF)), plain(r.Of), plain(r.About), stampText(r.Stamp.UTC), plain(r.By.Shown()), plain(cmp.Or(r.Replaces, "-")), plain(r.Sum))
		}
		if a.Next == "" {
			return table.Flush()
		}
		q.Set("before", a.Next)
	}
}

type reportsWrite struct {
	hostFlags
	Of       string `arg:"" help:"Number of a report that was issued, or what a preview is of: run, day, sample, balance, trail, check."`
	About    string `arg:"" optional:"" help:"Of a preview: the id; for a day 2026-11-30 or 2026-11-30/b-12, for the trail 2026-11-29/2026-11-30 or 120-240."`
	Template string `placeholder:"NAME" help:"Of a preview: the template; left out: the lab's first, or built-in."`
	Form     string `enum:"pdf,json,laboratory" default:"pdf" help:"Of a preview: pdf; of a run also json, or laboratory, a document of the Allotrope Simple Model."`
	Out      string `required:"" placeholder:"FILE" help:"The file, which must not be there yet."`
	JSON     bool   `help:"Print what was written as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (reportsWrite) Help() string {
	return `A preview says that it is not issued, a PDF on every page. The same entries give the same bytes.

` + reportCaution
}

func (c reportsWrite) Run(ctx context.Context, s streams) error {
	path := "/" + pathPart(c.Of) + "/file"
	if !strings.HasPrefix(c.Of, "rep-") {
		if c.About == "" {
			return fmt.Errorf("say about which %s the report is: weighpost reports write %s ID --out FILE", c.Of, c.Of)
		}
		path = "/preview?" + url.Values{"of": {c.Of}, "about": {c.About}, "template": {c.Template}, "form": {c.Form}}.Encode()
	}
	var file []byte
	if err := c.askReports(ctx, http.MethodGet, path, nil, &file); err != nil {
		return err
	}
	return writeReport(s.out, c.Out, file, c.JSON)
}

type reportsIssue struct {
	hostFlags
	Of       string   `arg:"" enum:"run,day,sample,balance,trail,check" help:"What it is a report of."`
	About    string   `arg:"" help:"The id; for a day 2026-11-30 or 2026-11-30/b-12, for the trail 2026-11-29/2026-11-30 or 120-240."`
	Template string   `placeholder:"NAME" help:"The template; left out: the lab's first, or built-in."`
	Form     string   `enum:"pdf,json,laboratory" default:"pdf" help:"How it is written: pdf; of a run also json, or laboratory, a document of the Allotrope Simple Model."`
	Replaces string   `placeholder:"NUMBER" help:"The report that it takes the place of: needed where one of the same is out."`
	Why      string   `placeholder:"TEXT" help:"Why that is replaced."`
	To       []string `placeholder:"SINK" help:"Destinations that get it; left out: all whose entries name report-issued."`
	By       string   `placeholder:"NAME" help:"Who issues it; by default this system's user."`
	JSON     bool     `help:"Print the report's entry as JSON."`
}

// Help is what the command tells beyond its one line.
func (reportsIssue) Help() string {
	return `Its number, its SHA-256 and who issued it become an entry of the journal; the file is kept beside the journal, and goes into backups.

` + reportCaution
}

func (c reportsIssue) Run(ctx context.Context, s streams) error {
	var v console.ReportView
	o := console.ReportIssue{ReportOrder: console.ReportOrder{ReportAsked: console.ReportAsked{Of: c.Of, About: c.About, Template: c.Template, Form: c.Form}, Replaces: c.Replaces, Why: c.Why, To: c.To}, By: by(c.By)}
	if err := c.askReports(ctx, http.MethodPost, "", o, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	_, err := fmt.Fprintf(s.out, "%s: report of the %s %s, %d bytes, SHA-256 %s\n", plain(v.Report), plain(v.Of), plain(v.About), v.Size, plain(v.Sum))
	return err
}
