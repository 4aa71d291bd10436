package port

import (
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"

	"weighpost/gateway/health"
)

// sysFolder is where Linux shows its devices; other in tests. Elsewhere it does not exist and nothing is learnt from it.
var sysFolder = "/sys"

// cause knows what trouble of one port may come from beyond the port itself.
type cause struct {
	cfg Config

	mu  sync.Mutex
	usb []string // folders of the USB devices between the computer and the port, outermost first, as last seen
}

// learn remembers where a port hangs, while it is there to be looked at.
func (c *cause) learn() {
	if c.cfg.isURL() {
		return
	}
	device, err := filepath.EvalSymlinks(c.cfg.Address)
	if err != nil {
		return
	}
	place, err := filepath.EvalSymlinks(filepath.Join(sysFolder, "class", "tty", filepath.Base(device)))
	if err != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.usb = usbDevices(place)
}

// usbDevice is the name of a folder of a hub or device on USB: bus, then the sockets on the way, "1-1.2". An interface of a
// device has a colon, and the bus itself, "usb1", does not come unplugged.
var usbDevice = regexp.MustCompile(`^[0-9]+-[0-9]+(\.[0-9]+)*$`)

func usbDevices(place string) (folders []string) {
	for at := place; at != filepath.Dir(at); at = filepath.Dir(at) {
		if usbDevice.MatchString(filepath.Base(at)) {
			folders = append([]string{at}, folders...)
		}
	}
	return folders
}

// of names what a trouble may come from: the device server with this host and the network before it, or the outermost USB
// device on the way to the port that is no longer there.
func (c *cause) of(t *Trouble) []health.Ref {
	if t.Code != CodeLost && t.Code != CodeMissing {
		return nil
	}
	if c.cfg.isURL() {
		u, err := url.Parse(c.cfg.Address)
		if err != nil || u.Hostname() == "" {
			return nil
		}
		host := strings.ToLower(u.Hostname())
		return append([]health.Ref{{Code: health.DeviceServerGone, Subject: host}}, health.Through(host)...)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, folder := range c.usb {
		if _, err := os.Stat(folder); os.IsNotExist(err) {
			return []health.Ref{{Code: health.AdapterGone, Subject: filepath.Base(folder)}}
		}
	}
	return nil
}
