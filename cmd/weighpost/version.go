package main

import (
	"fmt"
	"runtime"

	"weighpost/gateway"
)

type versionCommand struct{}

func (versionCommand) Run(s streams) error {
	_, err := fmt.Fprintf(s.out, "weighpost %s (%s, %s/%s)\n", gateway.Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
