package main

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts call the command itself, by the name weighpost.
func TestMain(m *testing.M) {
	// The tests that run the program as a child mostly wait for it.
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	testscript.Main(m, map[string]func(){"weighpost": main})
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

// program gives the test's own program the name weighpost: see TestMain.
func program(t *testing.T, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "weighpost")
	self, err := os.Executable()
	if err == nil {
		err = os.Symlink(self, path)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}
