package port

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"strconv"
	"strings"
)

const addressAllowed = "a serial device such as /dev/serial/by-id/… or COM3, tcp://host:port, or rfc2217://host:port"

// windowsName is COM3, with the colon or the prefix that some write.
var windowsName = regexp.MustCompile(`(?i)^(\\\\\.\\)?COM[0-9]+:?$`)

func (c Config) addressFaults(goos string) []fault {
	bad := func(what string) []fault { return []fault{{"address", what, addressAllowed}} }
	switch {
	case c.Address == "":
		return bad("the address of the port is missing")
	case strings.ContainsFunc(c.Address, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return bad(fmt.Sprintf("the address %q has a control character in it", c.Address))
	case c.Address != strings.TrimSpace(c.Address):
		return bad(fmt.Sprintf("the address %q begins or ends with a space", c.Address))
	}
	scheme, _, isURL := strings.Cut(c.Address, "://")
	if !isURL {
		if goos != "windows" && windowsName.MatchString(c.Address) {
			return []fault{{"address", fmt.Sprintf("%q is how Windows names a serial port, and this is not Windows", c.Address),
				"a serial device, such as /dev/serial/by-id/… or /dev/ttyUSB0"}}
		}
		return nil
	}
	if scheme += "://"; scheme != tcpScheme && scheme != rfc2217Scheme {
		return bad(fmt.Sprintf("%q is no kind of port", scheme))
	}
	u, err := url.Parse(c.Address)
	if err != nil {
		return bad("the address cannot be read as " + scheme + "host:port")
	}
	if u.User != nil { // not shown: it may hold a password
		return bad("a device server takes no user or password, and the address has one")
	}
	if u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.ForceQuery {
		return bad(fmt.Sprintf("there is something after the port number in %q", c.shown()))
	}
	if n, err := strconv.Atoi(u.Port()); u.Hostname() == "" || err != nil || n < 1 || n > 65535 {
		return bad(fmt.Sprintf("%q lacks a host or a port number from 1 to 65535", c.shown()))
	}
	return nil
}

// isURL says whether the address names a kind of port other than a serial device, known or not.
func (c Config) isURL() bool { return strings.Contains(c.Address, "://") }

func (c Config) isTCP() bool { return strings.HasPrefix(c.Address, tcpScheme) }

func (c Config) isRFC2217() bool { return strings.HasPrefix(c.Address, rfc2217Scheme) }

// shown is the address for a person to read, without what somebody may have put before an @.
func (c Config) shown() string {
	if scheme, rest, ok := strings.Cut(c.Address, "://"); ok {
		if at := strings.LastIndex(rest, "@"); at >= 0 {
			return scheme + "://…@" + rest[at+1:]
		}
	}
	return c.Address
}

// hostPort is the part of a device server's checked address that a dialler takes.
func (c Config) hostPort() string {
	u, err := url.Parse(c.Address)
	if err != nil {
		return ""
	}
	return net.JoinHostPort(u.Hostname(), u.Port())
}
