package qualify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"

	"weighpost/gateway"
	"weighpost/gateway/journal"
	"weighpost/gateway/qualification"
)

// installation are the tests of what was installed, and where.
func (u *run) installation() []planned {
	return []planned{
		{"installation.program", u.program}, {"installation.configuration", u.configuration}, {"installation.service", u.service},
		{"installation.rights", u.rightsOfFiles}, {"installation.space", u.space}, {"installation.sync", u.sync}, {"installation.names", u.portNames},
	}
}

// programOf says what a program's file is, as far as it can be read.
func programOf(file string) qualification.Program {
	p := qualification.Program{Version: gateway.Version(), File: file, Build: runtime.Version() + " " + runtime.GOOS + "/" + runtime.GOARCH}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				p.Commit = s.Value
			case "vcs.modified":
				p.Changed = s.Value == "true"
			}
		}
	}
	p.SHA256, _ = sumOf(file) // the test of the program says why it cannot be read
	return p
}

func sumOf(file string) (string, error) {
	f, err := os.Open(file)
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

func (u *run) program(ctx context.Context, t *try) {
	t.tried("Read the program's own file, and asked the running daemon for its version.")
	t.expected("The file can be read; the daemon is the same program.")
	p := programOf(u.Program)
	sum, err := sumOf(u.Program)
	if err != nil {
		t.fail("The program's file cannot be read: %v.", err)
		return
	}
	t.saw("%s: version %s, SHA-256 %s.", u.Program, p.Version, sum)
	switch {
	case u.Expect == "":
		t.saw("It was not held against a published sum: none was given (--expect).")
	case !strings.EqualFold(strings.TrimSpace(u.Expect), sum):
		t.fail("The program is another than the one that was given with --expect: its SHA-256 should be %s.", u.Expect)
	default:
		t.saw("That is the sum that was given with --expect.")
	}
	if u.Daemon != nil {
		u.sameProgram(ctx, t, p.Version, sum)
	}
}

// sameProgram holds the running daemon against this program: by what it says, and where the system tells, by its own file.
func (u *run) sameProgram(ctx context.Context, t *try, version, sum string) {
	status, _, answer, err := u.Daemon.Ask(ctx, http.MethodGet, "/healthz", nil)
	var of struct{ Version string }
	if err == nil && status == http.StatusOK {
		err = json.Unmarshal(answer, &of)
	}
	if err != nil || status != http.StatusOK {
		t.fail("The daemon does not say which version it is: %s.", outcome(status, err))
		return
	}
	t.saw("The running daemon says that it is version %s.", of.Version)
	if of.Version != version {
		t.fail("The daemon runs version %s, and this program is %s: restart the daemon.", of.Version, version)
	}
	s, err := u.Service(ctx)
	if err != nil || s.PID == 0 || runtime.GOOS != "linux" {
		return
	}
	running, err := sumOf(fmt.Sprintf("/proc/%d/exe", s.PID))
	switch {
	case err != nil:
		t.saw("The file of process %d cannot be read: %v.", s.PID, err)
	case running != sum:
		t.fail("Process %d of the service runs a program with the SHA-256 %s, which is another file: restart the daemon.", s.PID, running)
	default:
		t.saw("Process %d of the service runs a file with the same SHA-256.", s.PID)
	}
}

func (u *run) configuration(ctx context.Context, t *try) {
	t.tried("Read the configuration with all its layouts, and asked the running daemon by which it runs.")
	t.expected("No mistake, and the daemon runs by the same.")
	t.saw("%s is valid: balances: %d, destinations: %d, hash %s.", u.Config.File(), len(u.Config.Balances), len(u.Config.Sinks), u.Config.Hash())
	for _, n := range u.Config.Notes() {
		t.saw("Note: %s", n.Error())
	}
	if u.Daemon == nil {
		t.saw("No daemon runs: by which configuration one would run was not looked at.")
		return
	}
	status, header, _, err := u.Daemon.Ask(ctx, http.MethodGet, "/api/v1/settings", nil)
	if err != nil || status != http.StatusOK {
		t.fail("The daemon does not say by which configuration it runs: %s.", outcome(status, err))
		return
	}
	running := strings.Trim(header.Get("Etag"), `"`)
	if running != u.Config.Hash() {
		t.fail("The daemon runs by a configuration with the hash %s, and the file has %s: it was changed and not taken up, or waits to be adopted (weighpost configuration show).", running, u.Config.Hash())
		return
	}
	t.saw("The running daemon has the same hash.")
}

func (u *run) service(ctx context.Context, t *try) {
	t.tried("Asked the system for the service weighpost.")
	t.expected("The service is there, begins with the system, and runs.")
	s, err := u.Service(ctx)
	switch {
	case err != nil:
		t.fail("How the service is cannot be found out: %v.", err)
	case s.Cannot != "":
		t.notDone("%s.", s.Cannot)
	case !s.Installed:
		t.saw("There is none.")
		t.fail("weighpost is not installed as a service: weighpost service install --config FILE.")
	default:
		t.saw("It is there; begins with the system: %s; state: %s.", s.Enabled, s.State)
		if s.Enabled == "no" {
			t.fail("It does not begin with the system: systemctl enable weighpost.")
		}
		if !s.Running {
			t.fail("It does not run.")
		}
	}
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// rightsOfFiles looks at every secret that the configuration knows of, and at what must not be changed by others.
func (u *run) rightsOfFiles(_ context.Context, t *try) {
	t.tried("Looked at the rights of each file with a secret, of the configuration, and of the journal's folder.")
	t.expected("Secrets: for their owner alone (0600 or less). Configuration and journal: others may not change them.")
	if runtime.GOOS == "windows" {
		t.notDone("On Windows the mode of a file says nothing of who may read it: look at the access lists by hand.")
		return
	}
	secrets, notHeld := u.Config.BackupSecrets()
	for _, s := range secrets {
		u.rightsOf(t, s.What, s.From, 0o077, "chmod 600 "+s.From)
	}
	for _, what := range notHeld {
		t.saw("Not looked at: %s.", what)
	}
	u.rightsOf(t, "the configuration", u.Config.File(), 0o002, "chmod o-w "+u.Config.File())
	u.rightsOf(t, "the folder of the journal", u.Config.Journal.Folder, 0o002, "chmod o-w "+u.Config.Journal.Folder)
	u.rightsOf(t, "the journal", filepath.Join(u.Config.Journal.Folder, "journal.db"), 0o002, "chmod o-w on it")
}

func (u *run) rightsOf(t *try, what, file string, none os.FileMode, remedy string) {
	info, err := os.Stat(file)
	if err != nil {
		t.fail("The rights of %s cannot be seen: %v.", what, err)
		return
	}
	t.saw("%s: %s, mode %04o.", what, file, info.Mode().Perm())
	if info.Mode().Perm()&none != 0 {
		t.fail("Others may do with %s what they must not (%s, mode %04o): %s.", what, file, info.Mode().Perm(), remedy)
	}
}

func (u *run) space(_ context.Context, t *try) {
	limits := u.Config.Journal.Space.WithDefaults()
	t.tried("Asked the system for the free space on the disk of the journal.")
	t.expected("At least %s, below which the daemon warns; recording stops below %s.", limits.Warn, limits.Reserve)
	free, err := journal.Free(u.Config.Journal.Folder)
	if err != nil {
		t.fail("The free space of %s is not known: %v.", u.Config.Journal.Folder, err)
		return
	}
	t.saw("%s are free in %s.", journal.Size(free).About(), u.Config.Journal.Folder)
	if free < uint64(limits.Warn) {
		t.fail("That is less than %s: free space, or move the journal to a larger disk.", limits.Warn)
	}
}

// Names of devices that go to whichever adapter is found first, and those that stay.
var (
	passing = []string{"ttyUSB", "ttyACM"}
	staying = []string{"/dev/serial/by-id/", "/dev/serial/by-path/", "/dev/balance/", "/dev/ttyS", "/dev/ttyAMA"}
)

func (u *run) portNames(_ context.Context, t *try) {
	t.tried("Looked at the address of each balance's port.")
	t.expected("A name that stays with the adapter or its socket (below /dev/serial or /dev/balance, a built-in port), or a device server's address.")
	judged := 0
	for i := range u.Config.Balances {
		b := &u.Config.Balances[i]
		a := b.Port.Address
		target, err := filepath.EvalSymlinks(a)
		switch {
		case strings.Contains(a, "://"):
			t.saw("%s: %s, a device server: its address is the network's to keep.", b.ID, a)
		case runtime.GOOS != "linux":
			t.saw("%s: %s: how long such a name stays is not known here.", b.ID, a)
			continue
		case slices.ContainsFunc(passing, func(p string) bool { return strings.HasPrefix(a, "/dev/"+p) }):
			t.saw("%s: %s.", b.ID, a)
			t.fail("%s is named %s, which goes to whichever adapter is found first: use the name that weighpost ports shows, or a rule for udev.", b.ID, a)
		case err != nil:
			t.saw("%s: %s, which is not there.", b.ID, a)
			t.fail("The port of %s is not there: %v.", b.ID, err)
		case strings.HasPrefix(target, "/dev/pts/"):
			t.saw("%s: %s leads to a pseudo-terminal, which is no line.", b.ID, a)
			continue
		case slices.ContainsFunc(staying, func(p string) bool { return strings.HasPrefix(a, p) }):
			t.saw("%s: %s, now %s.", b.ID, a, target)
		default:
			t.saw("%s: %s, now %s: whether that name stays is not known.", b.ID, a, target)
			t.fail("Whether the name %s stays with its adapter is not known: use the name that weighpost ports shows.", a)
		}
		judged++
	}
	if judged == 0 {
		t.notDone("No balance has a port of which that could be said.")
	}
}
