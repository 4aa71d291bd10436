package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"github.com/kardianos/service"

	"weighpost/gateway/config"
	"weighpost/systemd"
)

// Where the system looks for what is installed.
const (
	sysusersFile = "/etc/sysusers.d/weighpost.conf"
	rulesFile    = "/etc/udev/rules.d/95-weighpost-serial.rules"
	stateFolder  = "/var/lib/weighpost"
)

// canHaveService refuses a Linux without systemd, as sd_booted(3) tells it. The library would take it for one with System V
// scripts, and install a service without sandbox, watchdog and restart.
func canHaveService() error {
	if info, err := os.Lstat("/run/systemd/system"); err == nil && info.IsDir() {
		return nil
	}
	return errors.New("this system was not started by systemd, and weighpost installs itself under systemd only: " +
		"have your service manager run: weighpost run --config FILE")
}

func mayInstall() error {
	if os.Geteuid() == 0 {
		return nil
	}
	return errors.New("this changes the system and needs root: call it with sudo")
}

// prepare makes the user, looks whether that user can read all that it needs, and writes the unit. It returns what it did.
func (c serviceInstall) prepare(s streams, plan *service.Config, cfg *config.Config, path string) (said []string, err error) {
	program, err := executable()
	if err != nil {
		return nil, fmt.Errorf("the program's own file cannot be found: %w", err)
	}
	if err := reachable(program, path); err != nil {
		return nil, err
	}
	name := c.User
	if name == "" {
		name = serviceName
		if err := makeUser(); err != nil {
			return nil, err
		}
	}
	who, err := user.Lookup(name)
	if err != nil {
		return nil, fmt.Errorf("there is no user %s: make that user, or leave out --user", name)
	}
	if err := readableBy(who, s, program, path); err != nil {
		return nil, err
	}
	unit, err := unitFor(program, path, c.User, foldersOf(cfg))
	if err != nil {
		return nil, err
	}
	plan.UserName, plan.Executable = "", program
	plan.Option = service.KeyValue{"SystemdScript": unit}
	said = append(said, "Runs as the user "+name+".")
	if c.Udev {
		if err := installRules(); err != nil {
			return nil, err
		}
		said = append(said, "Rules for USB adapters: "+rulesFile+" (names below /dev/balance after plugging in again).")
	}
	return said, nil
}

// makeUser makes the user weighpost, as the file for systemd-sysusers says.
func makeUser() error {
	if err := os.MkdirAll(filepath.Dir(sysusersFile), 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(sysusersFile, []byte(systemd.Sysusers), 0o644); err != nil {
		return fmt.Errorf("the user weighpost cannot be made: %w", err)
	}
	if out, err := exec.Command("systemd-sysusers", sysusersFile).CombinedOutput(); err != nil {
		return fmt.Errorf("the user weighpost could not be made: %s (%w)", strings.TrimSpace(string(out)), err)
	}
	return nil
}

func installRules() error {
	if err := os.MkdirAll(filepath.Dir(rulesFile), 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(rulesFile, []byte(systemd.Rules), 0o644); err != nil {
		return fmt.Errorf("the rules for USB adapters cannot be written: %w", err)
	}
	if out, err := exec.Command("udevadm", "control", "--reload").CombinedOutput(); err != nil {
		return fmt.Errorf("udev could not be told of the rules for USB adapters: %s (%w)", strings.TrimSpace(string(out)), err)
	}
	return nil
}

// reachable refuses files that the unit's sandbox hides.
func reachable(paths ...string) error {
	for _, path := range paths {
		for _, hidden := range []string{"/home/", "/root/", "/run/user/", "/tmp/", "/var/tmp/"} {
			if strings.HasPrefix(path, hidden) {
				return fmt.Errorf("the service cannot see %s, since it has no access to %s: "+
					"put the program into /usr/local/bin and the configuration with its layouts into /etc/weighpost", path, strings.TrimSuffix(hidden, "/"))
			}
		}
	}
	return nil
}

// readableBy has the program validate the configuration as that user: whatever it cannot read, it names.
func readableBy(who *user.User, s streams, program, path string) error {
	uid, err := strconv.ParseUint(who.Uid, 10, 32)
	if err != nil {
		return err
	}
	gid, err := strconv.ParseUint(who.Gid, 10, 32)
	if err != nil {
		return err
	}
	check := exec.Command(program, "validate", "config", path)
	check.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	check.Dir = "/"
	out, err := check.CombinedOutput()
	if err == nil {
		return nil
	}
	if len(out) > 0 {
		fmt.Fprint(s.err, string(out))
	}
	return fmt.Errorf("nothing was installed: the user %s cannot run %s or read %s (%w). Give the group of that user the right to, "+
		"also for layouts: chgrp -R %s FOLDER && chmod -R g+rX FOLDER", who.Username, program, path, err, who.Username)
}

// foldersOf lists the folders that a daemon writes to beyond its own.
func foldersOf(cfg *config.Config) (list []string) {
	folders := []string{cfg.Journal.Folder}
	for _, f := range []string{cfg.Backup.Folder, cfg.Journal.Retention.Folder} {
		if f != "" {
			folders = append(folders, f)
		}
	}
	for _, s := range cfg.Sinks {
		if w, ok := s.Settings.(interface{ WritesTo() []string }); ok {
			folders = append(folders, w.WritesTo()...)
		}
	}
	for _, f := range folders {
		full, err := filepath.Abs(f)
		if err == nil && full != stateFolder && !strings.HasPrefix(full, stateFolder+"/") {
			list = append(list, full)
		}
	}
	return list
}

// unitFor is our unit with this program, configuration, user and folders.
func unitFor(program, config, user string, folders []string) (string, error) {
	unit := systemd.Unit
	change := func(old, with string) {
		if strings.Count(unit, old) != 1 {
			panic("the embedded unit lacks " + old) // a test holds that it does not
		}
		unit = strings.Replace(unit, old, with, 1)
	}
	words := []string{program, config}
	words = append(words, folders...)
	for _, w := range words {
		if strings.ContainsFunc(w, func(r rune) bool { return r < ' ' || r == 0x7f || r == '$' }) || strings.Contains(w, "{{") {
			return "", fmt.Errorf("the path %q cannot stand in a unit of systemd: give it a plain name", w)
		}
	}
	start := "ExecStart=" + unitWord(program) + " run --config " + unitWord(config) + "\n"
	for _, f := range folders {
		start += "ReadWritePaths=-" + unitWord(f) + "\n"
	}
	change("ExecStart=/usr/local/bin/weighpost run --config /etc/weighpost/weighpost.yaml\n", start)
	if user != "" {
		change("User=weighpost\n", "User="+unitWord(user)+"\n")
		change("Group=weighpost\n", "")
	}
	return unit, nil
}

// unitWord writes a word as a unit has it: quoted where it must be, percent signs doubled (systemd.syntax(7), systemd.unit(5)).
func unitWord(w string) string {
	w = strings.ReplaceAll(w, "%", "%%")
	if !strings.ContainsAny(w, " \t\"'\\;") {
		return w
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(w) + `"`
}

// cleanUp takes away what the installation added beside the unit. The user stays: files belong to it.
func cleanUp() (said []string) {
	if err := os.Remove(rulesFile); err == nil {
		said = append(said, "The rules for USB adapters are gone as well; they lose their effect when an adapter is plugged in again.")
		_ = exec.Command("udevadm", "control", "--reload").Run() // they are gone either way
	}
	return said
}

// readStatus asks systemd.
func readStatus(svc service.Service) (serviceState, error) {
	out, err := exec.Command("systemctl", "show", serviceName+".service", "--property",
		"LoadState,ActiveState,SubState,MainPID,StatusText,ActiveEnterTimestamp").Output()
	if err != nil {
		return libraryStatus(svc)
	}
	has := map[string]string{}
	for line := range strings.Lines(string(out)) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		has[key] = value
	}
	state := serviceState{
		Installed: has["LoadState"] != "not-found" && has["LoadState"] != "",
		Running:   has["ActiveState"] == "active" || has["ActiveState"] == "reloading",
		State:     has["ActiveState"] + " (" + has["SubState"] + ")", Says: has["StatusText"], Since: has["ActiveEnterTimestamp"],
	}
	state.PID, _ = strconv.Atoi(has["MainPID"])
	if !state.Running {
		state.Says, state.Since = "", ""
	}
	return state, nil
}

// enabled says whether the service begins with the system: yes, no or not known.
func enabled() string {
	out, err := exec.Command("systemctl", "is-enabled", serviceName+".service").Output()
	switch said := strings.TrimSpace(string(out)); {
	case said == "enabled":
		return "yes"
	case err != nil && said == "":
		return "not known"
	}
	return "no"
}
