package systemd

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// tool runs a program of systemd, and skips where it is not installed.
func tool(t *testing.T, name string, args ...string) (string, error) {
	t.Helper()
	needs.Programs(t, name)
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "SYSTEMD_COLORS=0", "SYSTEMD_PAGER=cat")
	out, err := cmd.CombinedOutput()
	return string(out), err
}

var exposure = regexp.MustCompile(`Overall exposure level for weighpost\.service: ([0-9.]+)`)

// most is how exposed the unit may be at the most, of 10.
const most = 2.0

// TestTheReadmeNamesTheUnitsExposure: the number that systemd-analyze gives the unit is the one in the README, and low enough.
func TestTheReadmeNamesTheUnitsExposure(t *testing.T) {
	out, err := tool(t, "systemd-analyze", "security", "--offline=true", "weighpost.service")
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	got := exposure.FindStringSubmatch(out)
	readme, err := os.ReadFile("../README.md")
	if err != nil || got == nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("systemd-analyze gives the unit %s", got[1])
	if score, err := strconv.ParseFloat(got[1], 64); err != nil || score > most {
		t.Errorf("systemd-analyze gives the unit %s; %.1f are allowed", got[1], most)
	}
	said := regexp.MustCompile("systemd-analyze security[^`]*`\\s+gives\\s+the\\s+unit\\s+([0-9.]+)").FindSubmatch(readme)
	if said == nil || string(said[1]) != got[1] {
		t.Errorf("systemd-analyze gives the unit %s, and the README says %s", got[1], said)
	}
}

// TestTheUnitIsOneThatSystemdTakes: every word of it is known, but for the program, which is not installed here.
func TestTheUnitIsOneThatSystemdTakes(t *testing.T) {
	const program = "ExecStart=/usr/local/bin/weighpost "
	if strings.Count(Unit, program) != 1 {
		t.Fatalf("the unit has %q %d times", program, strings.Count(Unit, program))
	}
	verify := func(unit string) string {
		path := filepath.Join(t.TempDir(), "weighpost.service")
		if err := os.WriteFile(path, []byte(unit), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := tool(t, "systemd-analyze", "verify", path)
		if err != nil && out == "" {
			t.Fatal(err)
		}
		return strings.TrimSpace(out)
	}
	unit := strings.Replace(Unit, program, "ExecStart=/bin/true ", 1)
	if said := verify(unit); said != "" {
		t.Errorf("systemd-analyze verify says: %s", said)
	}
	if said := verify(strings.Replace(unit, "LockPersonality=", "LockPersonalities=", 1)); !strings.Contains(said, "LockPersonalities") {
		t.Errorf("of a word that systemd does not know it says: %s", said)
	}
}

// TestTheUserIsMade: in a folder that stands for the whole system.
func TestTheUserIsMade(t *testing.T) {
	root, err := os.MkdirTemp("", "root")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(root) })
	conf, err := filepath.Abs("weighpost-sysusers.conf")
	if err == nil {
		err = os.Mkdir(filepath.Join(root, "etc"), 0o755)
	}
	if err != nil {
		t.Fatal(err)
	}
	in, err := os.Open(conf)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	needs.Root(t, "to make a user below a folder")
	if out, err := tool(t, "systemd-sysusers", "--root="+root, "--inline", line(Sysusers)); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	users, err := os.ReadFile(filepath.Join(root, "etc/passwd"))
	if err != nil || !regexp.MustCompile(`(?m)^weighpost:[!x*]*:\d+:\d+:[^:]*:/var/lib/weighpost:\S*nologin$`).Match(users) {
		t.Errorf("%v: %s", err, users)
	}
}

// line is the one line of a sysusers file that is no remark.
func line(conf string) (one string) {
	for l := range strings.Lines(conf) {
		if !strings.HasPrefix(l, "#") {
			one += l
		}
	}
	return one
}

// TestTheRulesAreOnesThatUdevTakes: udev reads them, in a mount space of their own, and finds nothing to say. What they do to a
// USB adapter is not shown here: there is none.
func TestTheRulesAreOnesThatUdevTakes(t *testing.T) {
	read := func(rules string) (string, error) {
		path := filepath.Join(t.TempDir(), "95-weighpost-serial.rules")
		if err := os.WriteFile(path, []byte(rules), 0o644); err != nil {
			t.Fatal(err)
		}
		return tool(t, "unshare", "-m", "sh", "-c", `
			mount -t tmpfs none /run && mkdir -p /run/udev/rules.d && cp "$1" /run/udev/rules.d/ &&
			udevadm test --action=change /sys/devices/virtual/mem/null 2>&1`, "sh", path)
	}
	out, err := read(Rules)
	if err != nil || !strings.Contains(out, "Reading rules file: /run/udev/rules.d/95-weighpost-serial.rules") {
		needs.That(t, false, "a udev that reads its rules: "+out)
	}
	complaint := regexp.MustCompile(`95-weighpost-serial\.rules:\d+ .*`)
	if said := complaint.FindString(out); said != "" {
		t.Errorf("udev says: %s", said)
	}
	for _, wrong := range []string{"KERNEL==\"ttyUSB0\", FROM=\"x\"\n", "names for adapters\n"} {
		if out, err := read(Rules + wrong); err != nil || !complaint.MatchString(out) {
			t.Errorf("udev takes %q: %v", wrong, err)
		}
	}
}
