package console

import (
	"context"
	"time"

	"weighpost/gateway/record"
)

// Statistics works over the results of runs.
type Statistics interface {
	// Statistics works over the results that are wanted. The error is an *ExportRefused where more is asked for than can be had at once, or says
	// why it does not work now.
	Statistics(ctx context.Context, asked StatisticsAsked) (StatisticsView, error)
	// StatisticsCSV gives the groups as a table (RFC 4180), likewise; spreadsheet: for programs that would run text as a formula.
	StatisticsCSV(ctx context.Context, asked StatisticsAsked, spreadsheet bool) ([]byte, error)
}

// StatisticsAsked says which results are wanted, and what they are grouped by.
type StatisticsAsked struct {
	By        string
	Procedure string
	Version   int
	Result    string
	Sample    string
	Lot       string
	Balance   string
	From, To  time.Time
	Approved  bool
	Points    int // how many values of each group are wanted, the last ones
}

// StatisticsView is what was found. Numbers are text: digits, rounded half to even where they were computed.
type StatisticsView struct {
	By         string           `json:"by,omitempty" doc:"What the results are grouped by, beside procedure, result and unit."`
	Seq        uint64           `json:"seq" doc:"The entry up to which this is so."`
	Runs       int              `json:"runs" doc:"Runs that count."`
	Abandoned  int              `json:"abandoned" doc:"Runs that do not, since they were abandoned."`
	Replaced   int              `json:"replaced" doc:"Runs that do not, since another run stands for them."`
	Unapproved int              `json:"unapproved" doc:"Runs that do not, since approved ones alone were asked for."`
	Groups     []StatisticGroup `json:"groups" nullable:"false"`
}

// StatisticGroup is the results of one name and unit of one procedure, as they stand: after every correction, with the digits that were reported.
type StatisticGroup struct {
	Procedure string           `json:"procedure"`
	Versions  []int            `json:"versions" nullable:"false" doc:"Of the procedure, that the runs went by."`
	Result    string           `json:"result" doc:"Its name in the procedure."`
	Label     string           `json:"label,omitempty"`
	Unit      string           `json:"unit,omitempty" doc:"UCUM code; 1 for a bare number. Units are never mixed."`
	Of        string           `json:"of,omitempty" doc:"The sample, lot, balance or time; absent: none, or more than one."`
	N         int              `json:"n" doc:"How many values."`
	Mean      string           `json:"mean,omitempty" doc:"Absent: there is no value."`
	SD        string           `json:"sd,omitempty" doc:"Experimental standard deviation, with n - 1. Absent: fewer than two values."`
	CV        string           `json:"cv_percent,omitempty" doc:"Standard deviation over the absolute mean, percent. Absent: the mean is zero, or there is none."`
	Least     string           `json:"least,omitempty"`
	Most      string           `json:"most,omitempty"`
	Passed    int              `json:"passed"`
	Warned    int              `json:"warned"`
	Failed    int              `json:"failed" doc:"Values outside their limits. They count."`
	Outside   string           `json:"outside_percent,omitempty" doc:"Share of those among the values that have limits. Absent: none has."`
	Allowed   int              `json:"allowed" doc:"Values outside their limits that somebody let through."`
	Approved  int              `json:"approved" doc:"Values of runs that are approved."`
	Without   int              `json:"without" doc:"Results that have no number, and do not count."`
	Excluded  int              `json:"excluded" doc:"Weighings of these runs that are not used."`
	Points    []StatisticPoint `json:"points" nullable:"false" doc:"The last values, in the order in which their runs ended."`
	Before    int              `json:"before" doc:"How many came before those."`
}

// StatisticPoint is one value.
type StatisticPoint struct {
	Run      string     `json:"run"`
	UTC      record.UTC `json:"utc" doc:"When the run ended."`
	Digits   string     `json:"digits"`
	Verdict  string     `json:"verdict,omitempty"`
	Approved bool       `json:"approved"`
}
