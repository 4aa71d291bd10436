//go:build !unix

package pgtest

import (
	"errors"
	"os"
	"syscall"
	"testing"
)

var errNoSignals = errors.New("this system cannot freeze a process")

func asNobody() *syscall.SysProcAttr { return nil }
func own(testing.TB, ...string)      {}
func interrupt(p *os.Process) error  { return p.Kill() }
func quit(p *os.Process) error       { return p.Kill() }
func freeze(*os.Process) error       { return errNoSignals }
func thaw(*os.Process) error         { return errNoSignals }
