//go:build unix

package natstest

import (
	"os"
	"syscall"
)

func terminate(p *os.Process) error { return p.Signal(syscall.SIGTERM) }
func freeze(p *os.Process) error    { return p.Signal(syscall.SIGSTOP) }
func thaw(p *os.Process) error      { return p.Signal(syscall.SIGCONT) }
