package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/help"
)

type helpCommand struct {
	Topic string `arg:"" optional:"" help:"The page to print. Without it, the list of pages."`
	JSON  bool   `help:"Print the list of pages as a JSON array."`
}

func (c helpCommand) Run(s streams) error {
	if c.Topic != "" {
		page, err := help.Page(c.Topic)
		if err == nil {
			_, err = io.WriteString(s.out, strings.TrimRight(page.Text, "\n")+"\n")
		}
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(help.Topics())
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, t := range help.Topics() {
		fmt.Fprintf(table, "%s\t%s\n", t.Name, t.Title)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(s.out, "\nPrint one with: weighpost help TOPIC")
	return err
}
