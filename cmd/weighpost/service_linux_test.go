package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/needs"
	"weighpost/systemd"
)

func TestTheInstalledUnitIsTheOneInTheRepository(t *testing.T) {
	got, err := unitFor("/opt/weigh post/weighpost", "/etc/weighpost/50%.yaml", "", []string{"/srv/weighings"})
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Replace(systemd.Unit, "ExecStart=/usr/local/bin/weighpost run --config /etc/weighpost/weighpost.yaml\n",
		"ExecStart=\"/opt/weigh post/weighpost\" run --config /etc/weighpost/50%%.yaml\nReadWritePaths=-/srv/weighings\n", 1)
	if got != want {
		t.Errorf("the unit is\n%s", got)
	}
	if got, err = unitFor("/usr/local/bin/weighpost", "/etc/weighpost/weighpost.yaml", "", nil); err != nil || got != systemd.Unit {
		t.Errorf("at the usual places it differs from the one in the repository: %v", err)
	}
	got, err = unitFor("/usr/local/bin/weighpost", "/etc/weighpost/weighpost.yaml", "seeds", nil)
	if err != nil || !strings.Contains(got, "\nUser=seeds\n") || strings.Contains(got, "\nGroup=") {
		t.Errorf("for another user: %v\n%s", err, got)
	}
	for _, bad := range []string{"/opt/$HOME/weighpost", "/opt/{{Name}}/weighpost", "/opt/a\nb"} {
		if _, err := unitFor(bad, "/etc/weighpost/weighpost.yaml", "", nil); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestWithoutSystemdTheCommandsSayWhatToDo(t *testing.T) {
	if _, err := os.Stat("/run/systemd/system"); err == nil {
		t.Skip("this system runs systemd")
	}
	config := filepath.Join(t.TempDir(), "weighpost.yaml")
	if err := os.WriteFile(config, []byte("site: seed-bank\njournal: {folder: journal}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"install", "--config", config}, {"remove"}, {"start"}, {"stop"}, {"status"}, {"status", "--json"}} {
		var out, errs strings.Builder
		status := run(append([]string{"service"}, args...), streams{strings.NewReader(""), &out, &errs})
		if status != statusFailed || out.Len() > 0 || !strings.Contains(errs.String(), "not started by systemd") || !strings.Contains(errs.String(), "weighpost run --config") {
			t.Errorf("%v: status %d: %s%s", args, status, out.String(), errs.String())
		}
	}
}

// stage is a place where this system seems to be run by systemd: in a mount space of its own /run, /etc and /usr/local/bin are
// other folders, and systemctl is a stand-in that writes down what it is asked and keeps the service's state in a file.
const stage = `
set -e
mount -t overlay overlay -o "lowerdir=/etc,upperdir=$D/etc,workdir=$D/work" /etc
mount -t tmpfs none /run
mkdir -p /run/systemd/system /etc/systemd/system /etc/weighpost /opt/weighpost
mount -t tmpfs none /opt
mkdir -p /opt/weighpost
cp "$D/program" /opt/weighpost/weighpost
export PATH="$D/bin:$PATH"
w() { /opt/weighpost/weighpost "$@"; }
umask 022
`

const standIn = `#!/bin/sh
echo "systemctl $*" >>"$D/asked"
unit=/etc/systemd/system/weighpost.service
case "$1" in
start) echo active >"$D/state" ;;
stop) echo inactive >"$D/state" ;;
is-active) cat "$D/state" 2>/dev/null || { echo inactive; exit 3; } ;;
show)
	if [ ! -e $unit ]; then printf 'LoadState=not-found\nActiveState=inactive\nSubState=dead\nMainPID=0\nStatusText=\n'; exit 0; fi
	if [ "$(cat "$D/state" 2>/dev/null)" = active ]; then
		printf 'LoadState=loaded\nActiveState=active\nSubState=running\nMainPID=4711\nStatusText=Recording: 1 of 1 balances connected, 0 sinks.\nActiveEnterTimestamp=Wed 2026-11-25 17:00:00 UTC\n'
	else
		printf 'LoadState=loaded\nActiveState=inactive\nSubState=dead\nMainPID=0\nStatusText=\n'
	fi ;;
esac
`

// onStage runs a script of the shell there.
func onStage(t *testing.T, script string) string {
	t.Helper()
	needs.Root(t, "to install a service")
	dir, err := os.MkdirTemp("/dev/shm", "stage") // an overlay cannot lie on an overlay, which the root of a container may be
	if err != nil {
		needs.That(t, false, "room in memory for another /etc: "+err.Error())
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	for _, step := range [][]string{{"mkdir", "-m", "755", dir + "/etc", dir + "/work", dir + "/bin"}, {"chmod", "755", dir}, {"cp", built, dir + "/program"}} {
		if out, err := exec.Command(step[0], step[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	if err := os.WriteFile(dir+"/bin/systemctl", []byte(standIn), 0o755); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("unshare", "-m", "sh", "-c", stage+script)
	cmd.Env = append(os.Environ(), "D="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil && strings.Contains(string(out), "mount:") {
		needs.That(t, false, "the right to mount another /etc: "+string(out))
	}
	if err != nil {
		t.Fatalf("%v:\n%s", err, out)
	}
	return string(out)
}

// TestAServiceIsInstalledStartedStoppedRemoved: with a stand-in for systemctl and the real makers of users. That systemd runs the
// unit is not shown here.
func TestAServiceIsInstalledStartedStoppedRemoved(t *testing.T) {
	t.Parallel()
	said := onStage(t, `
cat >/etc/weighpost/weighpost.yaml <<X
site: seed-bank
journal: {folder: /var/lib/weighpost}
balances:
- {id: b-1, port: {address: /dev/ttyUSB0}, layout: layout.yaml}
sinks:
- {id: share, kind: files, folder: /srv/weighings}
X
echo 'line: "{weight 10} {unit 1}"' >/etc/weighpost/layout.yaml
chmod 600 /etc/weighpost/layout.yaml
w service status && exit 9
w service start && exit 9
echo "--- the layout is for root only"
w service install --config /etc/weighpost/weighpost.yaml && exit 9
[ ! -e /etc/systemd/system/weighpost.service ] || exit 9
chgrp weighpost /etc/weighpost/layout.yaml && chmod 640 /etc/weighpost/layout.yaml
echo "--- now it is not"
cd /etc/weighpost && w service install --config weighpost.yaml
w service install --config weighpost.yaml && exit 9
grep '^ExecStart\|^ReadWrite\|^User' /etc/systemd/system/weighpost.service
w service status && exit 9
w service start
w service status
w service status --json
w service stop
w service status --json && exit 9
w service remove
[ ! -e /etc/systemd/system/weighpost.service ] || exit 9
w service status --json && exit 9
w service remove && exit 9
echo "--- asked"
grep -v show "$D/asked"
`)
	t.Log(said)
	at := 0
	for _, want := range []string{
		"weighpost is not installed as a service.\n",
		"weighpost service install --config FILE\n",
		"--- the layout is for root only", "may not be read by this user", "nothing was installed: the user weighpost cannot",
		"--- now it is not", "Runs as the user weighpost.\n", "Installed: weighpost runs by /etc/weighpost/weighpost.yaml",
		"remove it first: weighpost service remove",
		"User=weighpost\n",
		"installed and does not run: inactive (dead)",
		"Started.", "weighpost runs: active (running), process 4711, since Wed 2026-11-25 17:00:00 UTC\nRecording: 1 of 1",
		`{"installed":true,"running":true,"state":"active (running)","pid":4711`,
		"Stopped.", `{"installed":true,"running":false,"state":"inactive (dead)","manager":"linux-systemd"}`,
		"Removed.", `{"installed":false,"running":false`, "is not installed as a service",
		"--- asked\nsystemctl enable weighpost.service\nsystemctl daemon-reload\nsystemctl start weighpost.service\n" +
			"systemctl stop weighpost.service\nsystemctl disable weighpost.service\nsystemctl daemon-reload\n",
	} {
		i := strings.Index(said[at:], want)
		if i < 0 {
			t.Fatalf("%q does not follow", want)
		}
		at += i
	}
	for _, want := range []string{"ExecStart=/opt/weighpost/weighpost run --config /etc/weighpost/weighpost.yaml\n", "ReadWritePaths=-/srv/weighings\n"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is missing", want)
		}
	}
}

// TestWhatTheSandboxHidesIsRefused: a service has no access to homes.
func TestWhatTheSandboxHidesIsRefused(t *testing.T) {
	t.Parallel()
	said := onStage(t, `
mkdir -p "$D/home" && mount --bind "$D/home" /home
printf 'site: seed-bank\njournal: {folder: /var/lib/weighpost}\n' >/home/weighpost.yaml
w service install --config /home/weighpost.yaml && exit 9
cp /home/weighpost.yaml /etc/weighpost/weighpost.yaml
w service install --config /etc/weighpost/weighpost.yaml --user nobody-here && exit 9
echo 'sit: x' >/etc/weighpost/weighpost.yaml
w service install --config /etc/weighpost/weighpost.yaml && exit 9
[ ! -e /etc/systemd/system/weighpost.service ]
`)
	for _, want := range []string{"cannot see /home/weighpost.yaml", "there is no user nobody-here", `did you mean "site"`, "nothing was installed: the configuration"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is missing in\n%s", want, said)
		}
	}
}

// TestAServiceMayWriteWhereItsConfigurationSays holds every folder of a configuration against what the unit lets be written.
func TestAServiceMayWriteWhereItsConfigurationSays(t *testing.T) {
	cfg, faults := config.Load("/etc/weighpost/weighpost.yaml", []byte("site: seed-bank\njournal:\n  folder: /srv/journal\n"+
		"  retention: {after: 365d, folder: /mnt/segments}\nbackup: {folder: /mnt/backups}\n"+
		"sinks:\n- {id: share, kind: files, folder: /mnt/share}\n"))
	if err := faults.Err(); err != nil {
		t.Fatal(err)
	}
	want := []string{"/srv/journal", "/mnt/backups", "/mnt/segments", "/mnt/share"}
	if got := foldersOf(cfg); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
