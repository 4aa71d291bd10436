package console

import (
	"fmt"
	"net"
	"net/netip"
	"strconv"

	"weighpost/parsers/strict"
)

// DefaultListen is where the page is found unless the configuration says otherwise.
const DefaultListen = "127.0.0.1:8467"

// Config is where the page is found.
type Config struct {
	Listen    string `yaml:"listen" desc:"Address and port of the page; loopback only." default:"127.0.0.1:8467"`
	TokenFile string `yaml:"token_file" desc:"File with the token that programs show to change something, made at the first start; only its owner may read it. A relative path starts at the folder of this file. Left out: api.token in the journal's folder."`
}

// URL is where the page is found from this computer.
func (c Config) URL() string { return "http://" + c.address() }

func (c Config) address() string {
	if c.Listen == "" {
		return DefaultListen
	}
	return c.Listen
}

const listenAllowed = "a loopback address and a port, such as 127.0.0.1:8467 or [::1]:8467"

// Check adds every fault that it sees to r.
func (c *Config) Check(r *strict.Report) {
	if what := refuse(c.address()); what != "" {
		r.At("listen").Fault(what, listenAllowed)
	}
}

// refuse says why the page may not listen there, or "".
func refuse(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Sprintf("%q is no address with a port", address)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || strconv.FormatUint(n, 10) != port {
		return fmt.Sprintf("%q is no port number", port)
	}
	if host == "localhost" {
		return ""
	}
	ip, err := netip.ParseAddr(host)
	switch {
	case err != nil && host != "":
		return fmt.Sprintf("%q is no address of this computer", host)
	case host == "" || !ip.IsLoopback():
		return "would open the page to the network. It has no sign-in and no TLS yet, so it stays on loopback; " +
			"from another computer use a tunnel that ends here on the same port"
	}
	return ""
}
