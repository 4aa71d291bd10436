package gateway

import (
	"context"
	"errors"
	"fmt"
	"slices"

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
	to, err := g.reportsTo(o.To)
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
	return g.reports.Issue(ctx, o.Of, o.About, o.Replaces, o.Why, func(number string) (*record.ReportIssued, error) {
		pdf, err := d.paper(number, o.Replaces, o.Why)
		if err != nil {
			return nil, err
		}
		if len(pdf) > record.MostKept {
			return nil, &record.NotDone{Why: fmt.Sprintf("the report has %d bytes, and files of at most %d are kept: take a shorter span", len(pdf), record.MostKept)}
		}
		f, err := g.KeepFile(number+".pdf", pdf)
		if err != nil {
			return nil, err
		}
		t := d.told.Template
		return &record.ReportIssued{Run: d.run, Template: t.Name, Hash: t.Hash(), Sum: f.SHA256, Size: f.Bytes, Last: d.told.Entries[len(d.told.Entries)-1].Seq, Sent: to, By: by, Stamp: g.stamp()}, nil
	})
}

// reportsTo are the destinations that get a report: those that name its kind of entry, or of them those that are asked for.
func (g *Gateway) reportsTo(asked []string) (list []string, err error) {
	for _, s := range g.now.Load().cfg.Sinks {
		if slices.Contains(s.Delivery.Entries, string(record.KindReportIssued)) {
			list = append(list, s.Delivery.ID)
		}
	}
	if asked == nil {
		return list, nil
	}
	for _, id := range asked {
		if !slices.Contains(list, id) {
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
	return g.reportFile(one.Sum)
}

// reportFile gives a report by its sum.
func (g *Gateway) reportFile(sum string) ([]byte, error) {
	pdf, err := g.KeptFile(record.KeptFile{SHA256: sum})
	if err == nil && console.KeptType(pdf) != "application/pdf" {
		err = errors.New("the file that is kept under the sum of the report is no PDF")
	}
	return pdf, err
}

// ReportTemplates lists the templates that there are.
func (g *Gateway) ReportTemplates() (list []console.ReportTemplates) {
	reports := &g.now.Load().cfg.Reports
	for _, of := range report.Kinds() {
		list = append(list, console.ReportTemplates{Of: of, Names: reports.Names(of)})
	}
	return list
}
