package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"text/tabwriter"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

type proceduresCommand struct {
	List     proceduresList     `cmd:"" help:"List the procedures and their versions."`
	Show     proceduresShow     `cmd:"" help:"Print the text of a version, exactly as it was written."`
	Write    proceduresWrite    `cmd:"" help:"Write a new version of a procedure; it waits until somebody adopts it."`
	Adopt    proceduresAdopt    `cmd:"" help:"Adopt a version: runs begin with it from then on."`
	TurnDown proceduresTurnDown `cmd:"" help:"Turn a version down: it is never adopted."`
	Withdraw proceduresWithdraw `cmd:"" help:"Withdraw a version: no run begins with it any more; those that are open go on."`
	Ready    proceduresReady    `cmd:"" help:"List the procedures that come with weighpost, or print one to begin with."`
}

type proceduresList struct {
	hostFlags
	JSON bool `help:"Print one procedure a line, as JSON."`
}

func (c proceduresList) Run(ctx context.Context, s streams) error {
	var a struct{ Procedures []console.ProcedureView }
	if err := c.askRuns(ctx, http.MethodGet, "procedures", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "PROCEDURE\tVERSION\tSTATE\tWRITTEN\tBY\tTITLE")
	}
	for _, p := range a.Procedures {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(p); err != nil {
				return err
			}
			continue
		}
		for _, v := range p.Versions {
			fmt.Fprintf(table, "%s\t%d\t%s\t%s\t%s\t%s\n", plain(v.Name), v.Version, plain(v.State), stampText(v.Written), plain(v.By.Shown()), plain(v.Title))
		}
	}
	return table.Flush()
}

// versionArgs name a version.
type versionArgs struct {
	Procedure string `arg:"" help:"Name of the procedure."`
	Version   int    `arg:"" help:"Number of the version."`
}

func (v versionArgs) path() string {
	return fmt.Sprintf("procedures/%s/versions/%d", pathPart(v.Procedure), v.Version)
}

type proceduresShow struct {
	hostFlags
	versionArgs
}

func (c proceduresShow) Run(ctx context.Context, s streams) error {
	var v struct{ Text string }
	if err := c.askRuns(ctx, http.MethodGet, c.path(), nil, &v); err != nil {
		return err
	}
	_, err := fmt.Fprint(s.out, v.Text)
	return err
}

type proceduresWrite struct {
	hostFlags
	File   string `arg:"" help:"The procedure, in YAML."`
	Reason string `required:"" placeholder:"TEXT" help:"What is new in it, and why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who writes; by default this system's user."`
}

// Help is what the command tells beyond its one line.
func (proceduresWrite) Help() string {
	return `weighpost validate procedure FILE finds every mistake beforehand. Whoever wrote a version adopts it only where the settings let one person do so.`
}

func (c proceduresWrite) Run(ctx context.Context, s streams) error {
	text, err := os.ReadFile(c.File)
	if err != nil {
		return fmt.Errorf("the procedure cannot be read: %w", err)
	}
	var v console.ProcedureVersion
	body := map[string]string{"text": string(text), "reason": c.Reason, "by": by(c.By)}
	if err := c.askRuns(ctx, http.MethodPost, "procedures", body, &v); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "procedure %s version %d is %s\n", plain(v.Name), v.Version, plain(v.State))
	return err
}

// versionChange is what somebody decides of a version.
type versionChange struct {
	versionArgs
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who decides; by default this system's user."`
}

func (c versionChange) change(ctx context.Context, h hostFlags, s streams, to string) error {
	var v console.ProcedureVersion
	body := map[string]string{"change": to, "reason": c.Reason, "by": by(c.By)}
	if err := h.askRuns(ctx, http.MethodPost, c.path()+"/decide", body, &v); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "procedure %s version %d is %s\n", plain(v.Name), v.Version, plain(v.State))
	return err
}

type proceduresAdopt struct {
	hostFlags
	versionChange
}

func (c proceduresAdopt) Run(ctx context.Context, s streams) error {
	return c.change(ctx, c.hostFlags, s, record.ProcedureAdopted)
}

type proceduresTurnDown struct {
	hostFlags
	versionChange
}

func (c proceduresTurnDown) Run(ctx context.Context, s streams) error {
	return c.change(ctx, c.hostFlags, s, record.ProcedureTurnedDown)
}

type proceduresWithdraw struct {
	hostFlags
	versionChange
}

func (c proceduresWithdraw) Run(ctx context.Context, s streams) error {
	return c.change(ctx, c.hostFlags, s, record.ProcedureWithdrawn)
}

type proceduresReady struct {
	hostFlags
	Name string `arg:"" optional:"" help:"The one whose text is printed. Left out: all are listed."`
}

func (c proceduresReady) Run(ctx context.Context, s streams) error {
	var a struct{ Procedures []console.ReadyProcedure }
	if err := c.askRuns(ctx, http.MethodGet, "ready-procedures", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, p := range a.Procedures {
		switch c.Name {
		case "":
			fmt.Fprintf(table, "%s\t%s\n", plain(p.Name), plain(p.Title))
		case p.Name:
			_, err := fmt.Fprint(s.out, p.Text)
			return err
		}
	}
	if c.Name != "" {
		return fmt.Errorf("no procedure %q comes with weighpost: weighpost procedures ready lists those that do", c.Name)
	}
	return table.Flush()
}
