package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/kardianos/service"

	"weighpost/gateway/config"
	"weighpost/parsers/strict"
)

type serviceCommand struct {
	Install serviceInstall `cmd:"" help:"Have the system run weighpost by a configuration, now and after each boot."`
	Remove  serviceRemove  `cmd:"" help:"Undo the installation. Configuration and journal stay."`
	Start   serviceStart   `cmd:"" help:"Start the installed service."`
	Stop    serviceStop    `cmd:"" help:"Stop it; all that was received is journalled first."`
	Status  serviceStatus  `cmd:"" help:"Say how the service is. Exit status 1 if it does not run."`
}

type serviceInstall struct {
	Config string `required:"" short:"c" placeholder:"FILE" help:"The configuration that the service runs by. It must be valid."`
	User   string `placeholder:"NAME" help:"Run as this user. On Linux weighpost, who is made if need be."`
	Udev   bool   `help:"Linux: install the rules that give USB adapters names and keep others off them. For a computer whose USB serial adapters all belong to balances."`
}

type (
	serviceRemove struct{}
	serviceStart  struct{}
	serviceStop   struct{}
	serviceStatus struct {
		JSON bool `help:"Print one JSON object."`
	}
)

const serviceName = "weighpost"

// noProgram stands where the library wants a program to run: these commands only ask the system to do something.
type noProgram struct{}

func (noProgram) Start(service.Service) error { return nil }
func (noProgram) Stop(service.Service) error  { return nil }

// openService is the service as the system knows it, or why this system cannot have one.
func openService(c service.Config) (service.Service, error) {
	if err := canHaveService(); err != nil {
		return nil, err
	}
	c.Name, c.DisplayName = serviceName, "weighpost"
	c.Description = "Weighings from RS-232 balances, journalled and delivered."
	return service.New(noProgram{}, &c)
}

func (c serviceInstall) Run(s streams) error {
	cfg, path, err := c.load(s)
	if err != nil {
		return err
	}
	if err := canHaveService(); err != nil {
		return err
	}
	if err := mayInstall(); err != nil {
		return err
	}
	plan := service.Config{Arguments: []string{"run", "--config", path}, UserName: c.User}
	said, err := c.prepare(s, &plan, cfg, path)
	if err != nil {
		return err
	}
	svc, err := openService(plan)
	if err != nil {
		return err
	}
	if err := svc.Install(); err != nil {
		return fmt.Errorf("the service was not installed: %w. If it is there already, remove it first: weighpost service remove", err)
	}
	for _, line := range said {
		fmt.Fprintln(s.out, line)
	}
	_, err = fmt.Fprintf(s.out, "Installed: weighpost runs by %s after each boot. To start it now: weighpost service start\n", path)
	return err
}

// load reads the configuration that is to be run by, and gives its full path.
func (c serviceInstall) load(s streams) (*config.Config, string, error) {
	path, err := filepath.Abs(c.Config)
	if err != nil {
		return nil, "", fmt.Errorf("the configuration cannot be found: %w", err)
	}
	cfg, err := config.LoadFile(path)
	if faults := (strict.Faults)(nil); errors.As(err, &faults) {
		fmt.Fprintln(s.err, faults)
		return nil, "", fmt.Errorf("nothing was installed: the configuration %s has mistakes, so mend the lines above", path)
	}
	if err != nil {
		return nil, "", fmt.Errorf("nothing was installed: %w", err)
	}
	return cfg, path, nil
}

func (serviceRemove) Run(s streams) error {
	svc, err := openService(service.Config{})
	if err != nil {
		return err
	}
	if err := mayInstall(); err != nil {
		return err
	}
	state, _ := readStatus(svc)
	if !state.Installed {
		return errNotInstalled
	}
	if state.Running {
		if err := svc.Stop(); err != nil {
			return fmt.Errorf("the service could not be stopped, and stays installed: %w", err)
		}
	}
	if err := svc.Uninstall(); err != nil {
		return fmt.Errorf("the service could not be removed: %w", err)
	}
	for _, line := range cleanUp() {
		fmt.Fprintln(s.out, line)
	}
	_, err = fmt.Fprintln(s.out, "Removed. Configuration and journal are where they were.")
	return err
}

var errNotInstalled = errors.New("weighpost is not installed as a service: weighpost service install --config FILE")

func (serviceStart) Run(s streams) error {
	return act(s, service.Service.Start, "started", "Started. See how it is: weighpost service status")
}

func (serviceStop) Run(s streams) error {
	return act(s, service.Service.Stop, "stopped", "Stopped. Until it is started again, nobody records what the balances print.")
}

func act(s streams, do func(service.Service) error, done, say string) error {
	svc, err := openService(service.Config{})
	if err != nil {
		return err
	}
	if state, err := readStatus(svc); err == nil && !state.Installed {
		return errNotInstalled
	}
	if err := mayInstall(); err != nil {
		return err
	}
	if err := do(svc); err != nil {
		return fmt.Errorf("the service could not be %s: %w", done, err)
	}
	_, err = fmt.Fprintln(s.out, say)
	return err
}

// serviceState is how the service is.
type serviceState struct {
	Installed bool   `json:"installed"`
	Running   bool   `json:"running"`
	State     string `json:"state"`             // in the system's own words
	PID       int    `json:"pid,omitempty"`     // 0: unknown
	Since     string `json:"since,omitempty"`   // as the system writes it
	Says      string `json:"says,omitempty"`    // what the daemon says of itself
	Manager   string `json:"manager,omitempty"` // what runs it
}

func (c serviceStatus) Run(s streams) error {
	svc, err := openService(service.Config{})
	if err != nil {
		return err
	}
	state, err := readStatus(svc)
	if err != nil {
		return fmt.Errorf("how the service is cannot be found out: %w", err)
	}
	state.Manager = svc.Platform()
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(state)
	} else {
		err = state.print(s)
	}
	if err == nil && !state.Running {
		err = errQuiet
	}
	return err
}

func (state serviceState) print(s streams) error {
	text := "weighpost is not installed as a service.\n"
	switch {
	case state.Running:
		text = "weighpost runs: " + state.State
		if state.PID > 0 {
			text += fmt.Sprintf(", process %d", state.PID)
		}
		if state.Since != "" {
			text += ", since " + state.Since
		}
		text += "\n"
		if state.Says != "" {
			text += plain(state.Says) + "\n"
		}
	case state.Installed:
		text = "weighpost is installed and does not run: " + state.State + ". To start it: weighpost service start\n"
	}
	_, err := fmt.Fprint(s.out, text)
	return err
}

// libraryStatus is what the library finds out.
func libraryStatus(svc service.Service) (serviceState, error) {
	status, err := svc.Status()
	switch {
	case errors.Is(err, service.ErrNotInstalled):
		return serviceState{State: "not installed"}, nil
	case err != nil:
		return serviceState{}, err
	case status == service.StatusRunning:
		return serviceState{Installed: true, Running: true, State: "running"}, nil
	}
	return serviceState{Installed: true, State: "stopped"}, nil
}

// executable is the program's own full path, links followed.
func executable() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	return filepath.EvalSymlinks(path)
}
