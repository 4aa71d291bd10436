package gateway

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/issued"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// openReports begins to read which reports were issued. Balances are read meanwhile.
func (g *Gateway) openReports(ctx context.Context) {
	g.reports = issued.New(issued.Options{Dir: g.now.Load().cfg.Journal.Folder, Journal: g.journal, Incarnation: g.journal.Incarnation(), Log: g.log})
	var following group
	following.start(ctx, nil, g.reports.Run)
	g.life.onStop("what is known of reports", g.hasty("what is known of reports", following.stop))
}

// IssueReport makes a report, keeps its file, and records that it was issued. A file whose entry could not be recorded stays behind, named
// by its hash: it is in no backup, and nobody is told of it.
func (g *Gateway) IssueReport(ctx context.Context, o console.ReportOrder, by record.Actor) (record.ReportIssued, error) {
	to, err := reportsTo(g.now.Load().cfg.Sinks, o.To, o.Form)
	if err != nil {
		return record.ReportIssued{}, err
	}
	d, err := g.draft(ctx, o.ReportAsked)
	if err != nil {
		return record.ReportIssued{}, err
	}
	if len(d.told.Entries) == 0 {
		return record.ReportIssued{}, &record.NotDone{Why: "there is nothing that the report could tell of"}
	}
	order := issued.Order{Of: o.Of, About: o.About, Form: o.Form, Replaces: o.Replaces, Why: o.Why}
	return g.reports.Issue(ctx, order, func(number string) (*record.ReportIssued, error) {
		at := report.Issue{Stamp: g.stamp(), By: by}
		b, err := d.file(o.Form, number, o.Replaces, o.Why, &at)
		if err != nil {
			return nil, err
		}
		if len(b) > record.MostKept {
			return nil, &record.NotDone{Why: fmt.Sprintf("the report has %d bytes, and files of at most %d are kept: take a shorter span", len(b), record.MostKept)}
		}
		f, err := g.KeepFile(number+record.ReportExt(o.Form), b)
		if err != nil {
			return nil, err
		}
		name, hash := d.told.Template.Name, ""
		if name != "" {
			hash = d.told.Template.Hash()
		}
		return &record.ReportIssued{Run: d.run, Template: name, Hash: hash, Sum: f.SHA256, Size: f.Bytes, Last: d.told.Entries[len(d.told.Entries)-1].Seq, Sent: to, By: by, Stamp: at.Stamp}, nil
	})
}

// reportsTo are the destinations that get a report: those that name its kind of entry, or of them those that are asked for. A printer gets no
// report in a form for programs.
func reportsTo(all []config.Sink, asked []string, form string) (list []string, err error) {
	var printers []string
	for _, s := range all {
		switch {
		case !slices.Contains(s.Delivery.Entries, string(record.KindReportIssued)):
		case record.ForPrograms(form) && s.Kind == "print":
			printers = append(printers, s.Delivery.ID)
		default:
			list = append(list, s.Delivery.ID)
		}
	}
	if asked == nil {
		return list, nil
	}
	for _, id := range asked {
		switch {
		case slices.Contains(printers, id):
			return nil, &record.RequestRefused{Why: fmt.Sprintf("the destination %.63q prints, and a report in the form %s is for programs to read", id, form)}
		case !slices.Contains(list, id):
			return nil, &record.RequestRefused{Why: fmt.Sprintf("the destination %.63q gets no reports: there is none of that id, or its entries do not name %s", id, record.KindReportIssued)}
		}
	}
	return asked, nil
}

// IssuedReports lists reports, newest first.
func (g *Gateway) IssuedReports(q console.ReportsAsked) console.ReportList {
	list, more := g.reports.List(q.Of, q.About, q.Before, q.Limit)
	a := console.ReportList{Reports: append([]record.ReportIssued{}, list...)}
	if more {
		a.Next = list[len(list)-1].Report
	}
	return a
}

// IssuedReport gives one.
func (g *Gateway) IssuedReport(number string) (console.ReportView, error) {
	one, instead, known := g.reports.Report(number)
	if !known {
		return console.ReportView{}, console.ErrNoReport
	}
	return console.ReportView{ReportIssued: one, Instead: instead}, nil
}

// ReportFile gives the file of one.
func (g *Gateway) ReportFile(_ context.Context, number string) ([]byte, error) {
	one, err := g.IssuedReport(number)
	if err != nil {
		return nil, err
	}
	b, err := g.reportFile(one.Sum)
	if err == nil && !record.IsReport(one.Form, b) {
		err = errors.New("the file that is kept under the sum of the report is no report of its form")
	}
	return b, err
}

// reportFile gives a report by its sum. Whether it is of its form, whoever has the entry can say.
func (g *Gateway) reportFile(sum string) ([]byte, error) {
	return g.KeptFile(record.KeptFile{SHA256: sum})
}

// ReportTemplates lists the templates that there are.
func (g *Gateway) ReportTemplates() (list []console.ReportTemplates) {
	reports := &g.now.Load().cfg.Reports
	for _, of := range report.Kinds() {
		list = append(list, console.ReportTemplates{Of: of, Names: reports.Names(of)})
	}
	return list
}
