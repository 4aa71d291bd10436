package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/alecthomas/kong"

	"weighpost/cmd/weighpost/manpage"
	"weighpost/cmd/weighpost/shells"
	"weighpost/configs"
	"weighpost/gateway"
	"weighpost/gateway/help"
)

type completionCommand struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"The shell: bash, zsh or fish."`
}

// Help is what the command tells beyond its one line.
func (completionCommand) Help() string {
	return `Packages install these scripts already. By hand:

    weighpost completion bash | sudo tee /usr/share/bash-completion/completions/weighpost
    weighpost completion zsh | sudo tee /usr/local/share/zsh/site-functions/_weighpost
    weighpost completion fish >~/.config/fish/completions/weighpost.fish`
}

func (c completionCommand) Run(s streams, call *kong.Context) error {
	topics := []string{}
	for _, t := range help.Topics() {
		topics = append(topics, t.Name)
	}
	script, err := shells.Script(c.Shell, call.Model, map[string][]string{"help": topics})
	if err == nil {
		_, err = io.WriteString(s.out, script)
	}
	return err
}

// manPagesCommand is for whoever makes packages.
type manPagesCommand struct {
	To string `required:"" placeholder:"FOLDER" help:"The folder to write the pages to. It is made if it is not there."`
}

// Help is what the command tells beyond its one line.
func (manPagesCommand) Help() string {
	return `Example:

    weighpost man-pages --to man && man -l man/weighpost.1`
}

func (c manPagesCommand) Run(call *kong.Context) error {
	if err := os.MkdirAll(c.To, 0o755); err != nil {
		return fmt.Errorf("the pages cannot be written: %w", err)
	}
	about := manpage.About{Version: gateway.Version(), Example: configs.Commented}
	about.Date, _ = time.Parse(time.RFC3339, gateway.Built().Time) // none in a program that does not know its commit
	for name, text := range manpage.Pages(call.Model, about) {
		if err := os.WriteFile(filepath.Join(c.To, name), []byte(text), 0o644); err != nil {
			return fmt.Errorf("the pages cannot be written: %w", err)
		}
	}
	return nil
}
