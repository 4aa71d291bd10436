package port

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"weighpost/gateway/health"
)

// TestAHubThatIsGoneIsToldFromAnAdapterThatIsGone lays out /sys as Linux does for two adapters behind one hub: class/tty
// links to a folder below the devices, one folder for each socket on the way (kernel, Documentation/ABI, sysfs-bus-usb).
func TestAHubThatIsGoneIsToldFromAnAdapterThatIsGone(t *testing.T) {
	root := t.TempDir()
	defer func(was string) { sysFolder = was }(sysFolder)
	sysFolder = root
	hub := filepath.Join(root, "devices", "pci0000:00", "0000:00:14.0", "usb1", "1-4")
	adapter := filepath.Join(hub, "1-4.2")
	device := filepath.Join(adapter, "1-4.2:1.0", "ttyUSB3", "tty", "ttyUSB3")
	class := filepath.Join(root, "class", "tty")
	for _, dir := range []string{device, class} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(device, filepath.Join(class, "ttyUSB3")); err != nil {
		t.Skip("no links here: ", err)
	}
	address := filepath.Join(root, "ttyUSB3") // stands for /dev/ttyUSB3
	if err := os.WriteFile(address, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	byID := filepath.Join(root, "by-id")
	if err := os.Symlink(address, byID); err != nil {
		t.Fatal(err)
	}
	c := cause{cfg: Config{Address: byID}}
	check := func(code string, want ...health.Ref) {
		t.Helper()
		if got := c.of(&Trouble{Code: code}); !slices.Equal(got, want) {
			t.Errorf("%v, want %v", got, want)
		}
	}
	check(CodeLost)
	c.learn()
	check(CodeLost) // all is there: it was not the hub
	if err := os.RemoveAll(adapter); err != nil {
		t.Fatal(err)
	}
	c.learn() // the port is gone: what was learnt stays
	check(CodeLost, health.Ref{Code: health.AdapterGone, Subject: "1-4.2"})
	if err := os.RemoveAll(hub); err != nil {
		t.Fatal(err)
	}
	check(CodeLost, health.Ref{Code: health.AdapterGone, Subject: "1-4"})
	check(CodeRefused)
}

func TestADeviceServerIsNamedByItsHost(t *testing.T) {
	for address, want := range map[string][]health.Ref{
		"tcp://Ports.example:4001": {{Code: health.DeviceServerGone, Subject: "ports.example"}, health.Network},
		"tcp://192.0.2.7:4002":     {{Code: health.DeviceServerGone, Subject: "192.0.2.7"}, health.Network},
		"tcp://127.0.0.1:4001":     {{Code: health.DeviceServerGone, Subject: "127.0.0.1"}},
		"rfc2217://192.0.2.7:4003": {{Code: health.DeviceServerGone, Subject: "192.0.2.7"}, health.Network},
		"/dev/ttyUSB0":             nil,
	} {
		c := cause{cfg: Config{Address: address}}
		if got := c.of(&Trouble{Code: CodeMissing}); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", address, got, want)
		}
	}
}
