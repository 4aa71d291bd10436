package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"weighpost/gateway/config"
	"weighpost/gateway/procedure"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

type validateCommand struct {
	Config validateConfigCommand `cmd:"" help:"Find every mistake in a configuration, its layouts included."`
	Layout validateLayoutCommand `cmd:"" help:"Find every mistake in a layout."`

	Procedure validateProcedureCommand `cmd:"" help:"Find every mistake in a procedure: names, units, steps that are never reached, limits that are missing."`

	Central validateCentralCommand `cmd:"" help:"Say who has signed a file of central settings, for whom, and whether a gateway would take it."`

	Export validateExportCommand `cmd:"" help:"Find out whether an export is whole and as the journal has it."`
	Proof  validateProofCommand  `cmd:"" help:"Say what the proof of an entry shows, with the journal's public key alone."`

	Bundle        validateBundleCommand        `cmd:"" help:"Find out whether a bundle is whole, and what it shows, with the journal's public key alone."`
	Qualification validateQualificationCommand `cmd:"" help:"Find out whether a qualification report is whole and as it was signed, with the journal's public key alone."`

	Segment validateSegmentCommand `cmd:"" help:"Find out whether a sealed segment is whole, and what it shows, with no journal at hand."`

	Archive    validateArchiveCommand    `cmd:"" help:"Find every mistake in the configuration of an archive."`
	Checkpoint validateCheckpointCommand `cmd:"" help:"Say whether the signatures under a checkpoint hold: the gateway's, and the archive's."`
}

type validateConfigCommand struct {
	File string `arg:"" help:"The configuration."`
	JSON bool   `help:"Print the faults as a JSON array: [] if there are none. Notes are left out."`
}

type validateLayoutCommand struct {
	File string `arg:"" help:"The layout."`
	JSON bool   `help:"Print the faults as a JSON array: [] if there are none."`
}

type validateProcedureCommand struct {
	File string `arg:"" help:"The procedure, in YAML or in JSON of the same keys."`
	JSON bool   `help:"Print the faults as a JSON array: [] if there are none."`
}

// Help is what the command tells beyond its one line.
func (validateCommand) Help() string {
	return `Every mistake is found in one go, one a line: file:line:column: where: what is wrong; allowed: what would be right.
A line that begins with "note:" tells something worth knowing about a file that is valid.

Exit status: 0 the file is valid, 1 it has mistakes or cannot be read.`
}

func (c validateConfigCommand) Run(s streams) error {
	cfg, err := config.LoadFile(c.File)
	if err != nil {
		return reportFaults(s, err, c.JSON)
	}
	if c.JSON {
		return printFaults(s.out, nil)
	}
	for _, n := range cfg.Notes() {
		fmt.Fprintln(s.out, "note:", n.Error())
	}
	_, err = fmt.Fprintf(s.out, "%s: valid: %s, %s\n", c.File, count(len(cfg.Balances), "balance"), count(len(cfg.Sinks), "sink"))
	return err
}

func (c validateLayoutCommand) Run(s streams) error {
	src, err := config.ReadFile(c.File)
	if err != nil {
		return fmt.Errorf("the layout cannot be read: %w", err)
	}
	if _, err := layout.Parse(c.File, src); err != nil {
		return reportFaults(s, err, c.JSON)
	}
	if c.JSON {
		return printFaults(s.out, nil)
	}
	_, err = fmt.Fprintf(s.out, "%s: valid\n", c.File)
	return err
}

func (c validateProcedureCommand) Run(s streams) error {
	src, err := config.ReadFile(c.File)
	if err != nil {
		return fmt.Errorf("the procedure cannot be read: %w", err)
	}
	def, err := procedure.Parse(c.File, src)
	if err != nil {
		return reportFaults(s, err, c.JSON)
	}
	if c.JSON {
		return printFaults(s.out, nil)
	}
	_, err = fmt.Fprintf(s.out, "%s: valid: %s, %s, %s\n", c.File, def.Name, count(len(def.Steps), "step"), procedure.Hash(src))
	return err
}

// reportFaults prints faults on standard output, which is what the command was asked for. Any other error is returned.
func reportFaults(s streams, err error, asJSON bool) error {
	var faults strict.Faults
	if !errors.As(err, &faults) {
		return err
	}
	if asJSON {
		if err := printFaults(s.out, faults); err != nil {
			return err
		}
		return errQuiet
	}
	for _, f := range faults {
		if _, err := fmt.Fprintln(s.out, f.Error()); err != nil {
			return err
		}
	}
	return errQuiet
}

func printFaults(w io.Writer, faults strict.Faults) error {
	if faults == nil {
		faults = strict.Faults{}
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(faults)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
