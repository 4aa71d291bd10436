package main

import (
	"context"
	"os"
	"strings"

	"github.com/kardianos/service"
)

// managed runs the daemon as a service of Windows when the service manager has started it, and as it is otherwise. What it
// writes goes to the event log then: a service has no terminal.
func managed(ctx context.Context, s streams, daemon func(context.Context, streams) error) error {
	if service.Interactive() {
		return daemon(ctx, s)
	}
	p := &managedProgram{daemon: daemon, done: make(chan struct{})}
	svc, err := service.New(p, &service.Config{Name: serviceName})
	if err != nil {
		return err
	}
	logger, err := svc.Logger(nil)
	if err != nil {
		return err
	}
	p.log = logger
	p.ctx, p.cancel = context.WithCancel(ctx)
	defer p.cancel()
	return svc.Run()
}

type managedProgram struct {
	ctx    context.Context // of the whole program: the manager's calls carry none
	cancel context.CancelFunc
	daemon func(context.Context, streams) error
	log    service.Logger
	done   chan struct{}
}

func (p *managedProgram) Start(service.Service) error {
	go func() {
		defer close(p.done)
		err := p.daemon(p.ctx, streams{in: strings.NewReader(""), out: eventLog{p.log}, err: eventLog{p.log}})
		if err != nil {
			_ = p.log.Error("weighpost: ", err)
		}
		if p.ctx.Err() == nil {
			os.Exit(statusFailed) // it ended by itself: the manager starts it again
		}
	}()
	return nil
}

func (p *managedProgram) Stop(service.Service) error {
	p.cancel()
	<-p.done
	return nil
}

// eventLog writes lines into the event log.
type eventLog struct{ log service.Logger }

func (e eventLog) Write(b []byte) (int, error) {
	text := strings.TrimSpace(string(b))
	switch {
	case strings.Contains(text, "level=ERROR"), strings.Contains(text, `"level":"ERROR"`):
		return len(b), e.log.Error(text)
	case strings.Contains(text, "level=WARN"), strings.Contains(text, `"level":"WARN"`):
		return len(b), e.log.Warning(text)
	}
	return len(b), e.log.Info(text)
}
