package main

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"weighpost/gateway/needs"
)

// built is the program as it is handed out. It is on the path of everything that a test runs.
var built string

func TestMain(m *testing.M) {
	// The tests that run the program as a child mostly wait for it.
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	os.Exit(needs.WithProgram(func(path string) int {
		built = path
		if err := os.Setenv("PATH", filepath.Dir(path)+string(os.PathListSeparator)+os.Getenv("PATH")); err != nil {
			panic(err)
		}
		return m.Run()
	}))
}

// TestScripts runs the command line as people type it: testdata/script/*.txtar.
func TestScripts(t *testing.T) {
	root, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"waitfor": waitFor},
		Setup: func(e *testscript.Env) error {
			e.Setenv("REPO", root+"/../..")
			return nil
		},
	})
}

// waitFor waits until a file is there.
func waitFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: waitfor FILE")
	}
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(ts.MkAbs(args[0])); err == nil {
			return
		}
		if time.Now().After(limit) {
			ts.Fatalf("%s is not there after 20 s", args[0])
		}
	}
}

// program puts the program into a folder, under its name.
func program(t *testing.T, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "weighpost")
	if err := os.Symlink(built, path); err != nil {
		t.Fatal(err)
	}
	return path
}
