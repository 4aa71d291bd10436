package main

import (
	"fmt"
	"strings"

	"weighpost/gateway/proof"
)

type validateArchiveCommand struct {
	File string `arg:"" help:"The archive's configuration."`
	JSON bool   `help:"Print the faults as a JSON array: [] if there are none. Notes are left out."`
}

// Help is what the command tells beyond its one line.
func (validateArchiveCommand) Help() string {
	return `Reads the configuration and the files of keys that it names, and asks no server.

Example: weighpost validate archive /etc/weighpost/archive.yaml`
}

func (c validateArchiveCommand) Run(s streams) error {
	cfg, err := loadArchive(c.File)
	if err != nil {
		return reportFaults(s, err, c.JSON)
	}
	if c.JSON {
		return printFaults(s.out, nil)
	}
	for _, n := range cfg.Notes() {
		fmt.Fprintln(s.out, "note:", n.Error())
	}
	_, err = fmt.Fprintf(s.out, "%s: valid: %s of gateways, co-signs as %s\n", c.File, count(cfg.Keys(), "key"), orNobody(cfg.Cosigns()))
	return err
}

type validateCheckpointCommand struct {
	File     string `arg:"" help:"The checkpoint; - reads standard input."`
	Key      string `required:"" placeholder:"KEY" help:"The gateway's public key, as you have it from somebody you trust: a file, or its text NAME+HASH+BASE64."`
	Cosigner string `placeholder:"KEY" help:"The archive's public key, likewise. Left out: co-signatures are not looked at."`
}

// Help is what the command tells beyond its one line.
func (validateCheckpointCommand) Help() string {
	return `Says whether the signatures of a checkpoint hold, and what it is of. Needs no journal and no network. Take both keys from where you trust
them, not from beside the checkpoint.

Example: weighpost validate checkpoint north.checkpoint --key north.pub --cosigner archive.pub

Exit status: 0 all signatures that were asked for hold, 1 one does not, or it cannot be read.`
}

// mostCheckpoint bounds a file with a checkpoint.
const mostCheckpoint = 64 << 10

func (c validateCheckpointCommand) Run(s streams) error {
	signed, err := readBounded(c.File, s, mostCheckpoint)
	if err != nil {
		return fmt.Errorf("the checkpoint cannot be read: %w", err)
	}
	key, err := readPublicKey(c.Key)
	if err != nil {
		return err
	}
	head, err := proof.Open(signed, key)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	if head.Origin != key.Name() {
		return fmt.Errorf("%s is of %s, and the key that signed it is of %s", c.File, plain(head.Origin), plain(key.Name()))
	}
	fmt.Fprintf(s.out, "journal:    %s\nentries:    %d\nroot:       %s\nsigned by:  %s\n", plain(head.Origin), head.Size, head.Root, plain(proof.KeyID(key)))
	if c.Cosigner == "" {
		return nil
	}
	cosigner, err := readCosignerKey(c.Cosigner)
	if err != nil {
		return err
	}
	_, at, err := proof.Cosigned(signed, cosigner)
	if err != nil {
		return fmt.Errorf("%s: the gateway's signature holds, and the co-signature does not: %w", c.File, err)
	}
	_, err = fmt.Fprintf(s.out, "co-signed:  %s by %s\n", at.Format("2006-01-02T15:04:05Z"), plain(proof.KeyID(cosigner)))
	return err
}

// readCosignerKey reads the public key of a co-signer: its text, or a file with it.
func readCosignerKey(arg string) (proof.CosignerKey, error) {
	if strings.Count(arg, "+") >= 2 {
		if key, err := proof.ParseCosignerKey(arg); err == nil {
			return key, nil
		}
	}
	text, err := readBounded(arg, streams{}, mostCheckpoint)
	if err != nil {
		return proof.CosignerKey{}, fmt.Errorf("--cosigner: the public key cannot be read: %w", err)
	}
	key, err := proof.ParseCosignerKey(string(text))
	if err != nil {
		return key, fmt.Errorf("--cosigner %s: %w", arg, err)
	}
	return key, nil
}
