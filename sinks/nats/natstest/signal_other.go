//go:build !unix

package natstest

import (
	"errors"
	"os"
)

var errNoSignals = errors.New("this system cannot freeze a process")

// terminate kills: there is no gentle signal here.
func terminate(p *os.Process) error { return p.Kill() }
func freeze(*os.Process) error      { return errNoSignals }
func thaw(*os.Process) error        { return errNoSignals }
