package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"weighpost/gateway/qualification"
)

type validateQualificationCommand struct {
	File string `arg:"" help:"The report: its .json, .pdf or .note. The other two lie beside it."`
	Key  string `required:"" placeholder:"KEY" help:"The journal's public key, as you have it from somebody you trust: a file, or its text NAME+HASH+BASE64."`
	JSON bool   `help:"Print what was found as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateQualificationCommand) Help() string {
	return `Says whether the data and the paper of a report of weighpost qualify are those that the journal's key signed, byte for byte, and what the
report says. Needs no journal, no daemon and no network.

    weighpost validate qualification qualification-seed-bank-20261130T181500Z.pdf --key key.pub

A report that verifies may still say that tests failed: that is printed. Exit status: 0 it is as it was signed, 1 it is not, or the files cannot
be read.`
}

func (c validateQualificationCommand) Run(s streams) error {
	key, err := readPublicKey(c.Key)
	if err != nil {
		return err
	}
	folder, name := filepath.Split(c.File)
	signed, err := os.ReadFile(filepath.Join(folder, strings.TrimSuffix(name, filepath.Ext(name))+qualification.EndNote))
	if err != nil {
		return fmt.Errorf("the signed note beside the report cannot be read: %w", err)
	}
	found := qualification.Verify(signed, key, func(name string) (io.ReadCloser, error) { return os.Open(filepath.Join(folder, name)) })
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(found)
	} else {
		err = tellQualification(s.out, &found)
	}
	if err == nil && !found.Valid {
		err = fmt.Errorf("%s is not to be relied on: %s", plain(c.File), count(len(found.Faults), "fault"))
	}
	return err
}

// tellQualification prints what was found, for people.
func tellQualification(w io.Writer, f *qualification.Found) (err error) {
	say := func(format string, args ...any) {
		_, bad := fmt.Fprintln(w, plain(fmt.Sprintf(format, args...)))
		err = errors.Join(err, bad)
	}
	for _, fault := range f.Faults {
		say("fault      %s", fault)
	}
	for _, name := range f.Files {
		say("signed     %s, by %s", name, f.Key)
	}
	if r := f.Report; r != nil {
		say("says       %s, done by %s at %s: %d passed, %d failed, %d not done", r.ID, r.By.Account, r.Begun.UTC, r.Summary.Passed, r.Summary.Failed, r.Summary.NotDone)
		say("not shown  that what it says is so: whoever had the key could sign anything; and that the tests are enough for your use")
	}
	return err
}
