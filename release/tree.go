package main

import (
	"bytes"
	"debug/buildinfo"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"golang.org/x/mod/module"
)

// tree is the checked-out commit.
type tree struct {
	root   string
	commit string
	time   time.Time // of the commit: every time in a release
}

// theTree is the one around the working folder. A tree with changes is no commit, and is refused unless that is wanted.
func theTree(changed bool) (tree, error) {
	root, err := say(".", "git", "rev-parse", "--show-toplevel")
	if err != nil {
		return tree{}, fmt.Errorf("a release is made of a commit, and here is none: %w", err)
	}
	status, err := say(root, "git", "status", "--porcelain")
	if err != nil {
		return tree{}, err
	}
	if status != "" && !changed {
		return tree{}, fmt.Errorf("the tree in %s differs from its commit, so nobody could make the same again: commit or put aside what\n%s", root, status)
	}
	commit, err := say(root, "git", "rev-parse", "HEAD")
	if err != nil {
		return tree{}, err
	}
	at, err := say(root, "git", "show", "-s", "--format=%cI", "HEAD")
	if err != nil {
		return tree{}, err
	}
	when, err := time.Parse(time.RFC3339, at)
	return tree{root: root, commit: commit, time: when.UTC()}, err
}

func say(dir, name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	out, err := cmd.Output()
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		err = fmt.Errorf("%s %s: %s", name, strings.Join(args, " "), bytes.TrimSpace(exit.Stderr))
	}
	return strings.TrimSpace(string(out)), err
}

// build makes the program for a target. Nothing of this computer comes into it: no path (trimpath), no C compiler, no setting of Go's
// from the environment or from a file; the version is what the Go tool reads off the commit.
func (tr tree) build(t target, work string) (string, error) {
	program := filepath.Join(work, t.exe())
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=true", "-mod=readonly", "-ldflags=-s -w", "-o", program, "./cmd/weighpost")
	cmd.Dir = tr.root
	cmd.Env = append(without(os.Environ(), "GO"), "GOENV=off", "GOFLAGS=", "GOWORK=off", "GOTOOLCHAIN=local", "CGO_ENABLED=0", "GOAMD64=v1",
		"GOARM64=v8.0", "GOOS="+t.os, "GOARCH="+t.arch, "GOARM="+t.arm)
	// Where modules come from and are kept makes no difference to what is built: go.sum holds their hashes.
	for _, name := range []string{"GOPROXY", "GOSUMDB", "GONOSUMDB", "GOMODCACHE", "GOCACHE", "GOPATH", "GOTMPDIR"} {
		if v, err := say(tr.root, "go", "env", name); err == nil && v != "" {
			cmd.Env = append(cmd.Env, name+"="+v)
		}
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("the program was not built: %w", err)
	}
	return program, nil
}

func without(env []string, prefix string) (list []string) {
	for _, e := range env {
		if !strings.HasPrefix(e, prefix) {
			list = append(list, e)
		}
	}
	return list
}

// built is what a program says of itself.
type built struct {
	*buildinfo.BuildInfo
	version string // without the v: 1.2.0, or the Go tool's name of a commit without a tag
}

func readBuilt(program string) (built, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return built{}, fmt.Errorf("the program does not say what it was built from: %w", err)
	}
	version := strings.TrimPrefix(info.Main.Version, "v")
	if version == "" || version == "(devel)" {
		return built{}, errors.New("the program does not know its commit: git must be there when it is built, and the tree a clone of it")
	}
	return built{info, version}, nil
}

// packaged is the version as packages have it, which dpkg and rpm put into the same order as Go does: what comes before a release
// is divided from it by a tilde, and the time of the commit decides.
func (b built) packaged() string {
	v := "v" + strings.TrimSuffix(b.version, "+dirty")
	if !module.IsPseudoVersion(v) {
		return strings.Replace(strings.TrimPrefix(v, "v"), "-", "~", 1)
	}
	base, _ := module.PseudoVersionBase(v)
	at, _ := module.PseudoVersionTime(v)
	rev, _ := module.PseudoVersionRev(v)
	next := "0.0.0"
	if base != "" { // v1.2.1-0.… is after v1.2.0, and before v1.2.1
		next, _, _ = strings.Cut(strings.TrimPrefix(v, "v"), "-")
	}
	return next + "~" + at.Format("20060102150405") + "." + rev
}

// told is what the program itself writes for a release: pages for man, and completion.
type told struct {
	man        map[string][]byte // by file name
	completion map[string][]byte // by shell
}

// tell builds the program for this computer and has it write them.
func (tr tree) tell(work string) (told, error) {
	program, err := tr.build(target{os: runtime.GOOS, arch: runtime.GOARCH}, work)
	if err != nil {
		return told{}, err
	}
	t := told{map[string][]byte{}, map[string][]byte{}}
	for _, shell := range []string{"bash", "zsh", "fish"} {
		script, err := say(work, program, "completion", shell)
		if err != nil {
			return told{}, err
		}
		t.completion[shell] = []byte(script + "\n")
	}
	pages := filepath.Join(work, "man")
	if _, err := say(work, program, "man-pages", "--to", pages); err != nil {
		return told{}, err
	}
	files, err := os.ReadDir(pages)
	for _, f := range files {
		if err == nil {
			t.man[f.Name()], err = os.ReadFile(filepath.Join(pages, f.Name()))
		}
	}
	return t, err
}
