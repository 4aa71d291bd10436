package certificate

import (
	"errors"
	"net/netip"
	"regexp"
	"strings"
)

// label is one part of a host's name (RFC 1123, section 2.1), in lower case.
var label = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

// CheckName says why a text is neither a host's name nor an address, or nil. Names are in lower case and without the last dot,
// names of other scripts in their xn-- form (RFC 5890).
func CheckName(name string) error {
	if ip, err := netip.ParseAddr(name); err == nil {
		if ip.Zone() != "" || ip.IsUnspecified() {
			return errors.New("is no address that a browser can ask for")
		}
		return nil
	}
	if len(name) > 253 || name == "" {
		return errors.New("is no name of a host")
	}
	parts := strings.Split(name, ".")
	for _, part := range parts {
		if !label.MatchString(part) {
			return errors.New("is no name of a host: lower-case letters, digits and - between dots; other scripts in their xn-- form")
		}
	}
	if strings.Trim(parts[len(parts)-1], "0123456789") == "" {
		return errors.New("looks like an address and is none") // the WHATWG's URL standard, section 3.5: such a host is never a name
	}
	return nil
}
