package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"weighpost/gateway"
)

type versionCommand struct {
	JSON bool `help:"Print one JSON object."`
}

// Help is what the command tells beyond its one line.
func (versionCommand) Help() string {
	return `A program that was built without knowing its commit names none. Example:

    weighpost version --json`
}

func (c versionCommand) Run(s streams) error {
	built := gateway.Built()
	if c.JSON {
		return json.NewEncoder(s.out).Encode(struct {
			gateway.Build
			Go       string `json:"go"`
			Platform string `json:"platform"`
		}{built, runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH})
	}
	if _, err := fmt.Fprintf(s.out, "weighpost %s (%s, %s/%s)\n", built.Version, runtime.Version(), runtime.GOOS, runtime.GOARCH); err != nil || built.Commit == "" {
		return err
	}
	changed := ""
	if built.Modified {
		changed = ", with changes that were not committed"
	}
	_, err := fmt.Fprintf(s.out, "commit %s of %s%s\n", built.Commit, built.Time, changed)
	return err
}
