package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts call the command itself, by the name weighpost.
func TestMain(m *testing.M) {
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
		Setup: func(e *testscript.Env) error {
			e.Setenv("REPO", root+"/../..")
			return nil
		},
	})
}
