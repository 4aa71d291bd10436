package archive

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
	"testing"
	"time"
)

// What an instance in a process of its own is told by its environment.
const (
	envConfig  = "WEIGHPOST_TEST_ARCHIVE"       // its configuration
	envAckWait = "WEIGHPOST_TEST_ARCHIVE_WAITS" // how long the stream waits for its acknowledgements
)

// runAsInstance is the way in for processes that this test starts of itself.
func runAsInstance() bool {
	path := os.Getenv(envConfig)
	if path == "" {
		return false
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	if err := runInstance(ctx, path); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	return true
}

func runInstance(ctx context.Context, path string) error {
	src, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	cfg, faults := Load(path, src)
	if err := faults.Err(); err != nil {
		return err
	}
	a := New(cfg, slog.New(slog.NewTextHandler(os.Stderr, nil)))
	if a.ackWait, err = time.ParseDuration(os.Getenv(envAckWait)); err != nil {
		return err
	}
	return a.Run(ctx)
}

// process is an instance in a process of its own.
type process struct {
	cmd    *exec.Cmd
	exited chan struct{}
}

// startProcess starts one. Its log goes to a file.
func startProcess(t testing.TB, config, log string) *process {
	t.Helper()
	out, err := os.OpenFile(log, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	p := &process{cmd: exec.Command(os.Args[0]), exited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), envConfig+"="+config, envAckWait+"=2s")
	p.cmd.Stderr = out
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.exited)
		_ = p.cmd.Wait() // a signal is how it is meant to end
	}()
	t.Cleanup(p.kill)
	return p
}

// kill ends the process without a chance to write anything.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may be gone
	<-p.exited
}
