//go:build !linux

package main

import (
	"github.com/kardianos/service"

	"weighpost/gateway/config"
)

// canHaveService: Windows and macOS have one manager each, which the library knows.
func canHaveService() error { return nil }

// mayInstall leaves it to the system to refuse.
func mayInstall() error { return nil }

// prepare asks for a start at boot and after a crash. On macOS the log goes to files below /usr/local/var/log, on Windows to the
// event log.
func (c serviceInstall) prepare(_ streams, plan *service.Config, _ *config.Config, _ string) ([]string, error) {
	plan.Option = service.KeyValue{
		"RunAtLoad": true, "KeepAlive": true, "LogOutput": true,
		"StartType": "automatic", "OnFailure": "restart", "OnFailureDelayDuration": "5s", "OnFailureResetPeriod": 3600,
	}
	return nil, nil
}

func cleanUp() []string { return nil }

func readStatus(svc service.Service) (serviceState, error) { return libraryStatus(svc) }

// enabled: the library does not ask these systems.
func enabled() string { return "not known" }
