// Command release makes what is given to users from the commit that is checked out: static programs for every system, archives,
// packages for Debian and for systems with rpm, and what goes with them: completion, pages for man, licences of others, the list of
// parts (SBOM) and the sums of all. The same commit gives the same bytes, wherever and whenever: every time in a file is the commit's.
//
// It is a module of its own, so that what packages need is no part of the daemon. .ci/release calls it in a fresh clone.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

func main() {
	out := flag.String("out", "", "the folder to write to; it is made")
	only := flag.String("targets", "", "only these, such as linux/amd64,windows/amd64; all if left out")
	changed := flag.Bool("changed", false, "go on although the tree differs from its commit; the version then says so")
	flag.Parse()
	if *out == "" || flag.NArg() > 0 {
		fmt.Fprintln(os.Stderr, "release: say where to: release --out FOLDER [--targets OS/ARCH,...]")
		os.Exit(2)
	}
	if err := run(*out, *only, *changed); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

func run(out, only string, changed bool) error {
	targets, err := chosen(only)
	if err != nil {
		return err
	}
	tree, err := theTree(changed)
	if err != nil {
		return err
	}
	if out, err = filepath.Abs(out); err == nil {
		err = os.MkdirAll(out, 0o755)
	}
	if err != nil {
		return fmt.Errorf("the folder of the release cannot be made: %w", err)
	}
	work, err := os.MkdirTemp("", "release")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)

	told, err := tree.tell(filepath.Join(work, "told"))
	if err != nil {
		return err
	}
	for _, t := range targets {
		fmt.Fprintln(os.Stderr, "release:", t)
		if err := tree.release(t, told, filepath.Join(work, strings.ReplaceAll(t.String(), "/", "-")), out); err != nil {
			return fmt.Errorf("%s: %w", t, err)
		}
	}
	return writeSums(out)
}

// release makes all that there is for one target.
func (tr tree) release(t target, told told, work, out string) error {
	program, err := tr.build(t, work)
	if err != nil {
		return err
	}
	made, err := readBuilt(program)
	if err != nil {
		return err
	}
	parts, licences, err := tr.parts(made, t)
	if err != nil {
		return err
	}
	base := fmt.Sprintf("weighpost-%s-%s", made.version, t.name())
	if err := os.WriteFile(filepath.Join(out, base+".cdx.json"), parts, 0o644); err != nil {
		return err
	}
	g := goods{tree: tr, target: t, built: made, told: told, program: program, parts: parts, licences: licences}
	if err := g.archive(filepath.Join(out, base)); err != nil {
		return err
	}
	if t.os != "linux" {
		return nil
	}
	return g.packages(work, out)
}
