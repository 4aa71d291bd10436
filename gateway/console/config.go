package console

import (
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"

	"weighpost/gateway/certificate"
	"weighpost/parsers/strict"
)

// DefaultListen is where the page is found unless the configuration says otherwise.
const DefaultListen = "127.0.0.1:8467"

// Config is where the page is found.
type Config struct {
	Listen    string             `yaml:"listen" desc:"Address and port of the page. Beyond loopback only with tls and with people who sign in." default:"127.0.0.1:8467"`
	Names     []string           `yaml:"names" desc:"Names and addresses under which browsers ask for the page, beyond those of the certificate and the address that it listens on; with a port where that is another than the one of listen."`
	TLS       certificate.Config `yaml:"tls" desc:"The certificate of the page. Left out: plain HTTP, on loopback only."`
	TokenFile string             `yaml:"token_file" desc:"File with the token that programs show to change something, made at the first start; only its owner may read it. A relative path starts at the folder of this file. Left out: api.token in the journal's folder."`
}

// URL is where the page is found from this computer.
func (c Config) URL() string {
	host, port, err := net.SplitHostPort(c.address())
	if err != nil {
		return c.scheme() + "://" + c.address()
	}
	return c.scheme() + "://" + net.JoinHostPort(reachable(host), port)
}

// reachable is an address of this computer at which a listener on host answers.
func reachable(host string) string {
	ip, err := netip.ParseAddr(host)
	switch {
	case host == "" || err == nil && ip == netip.IPv4Unspecified():
		return "127.0.0.1"
	case err == nil && ip == netip.IPv6Unspecified():
		return "::1"
	}
	return host
}

// Shown is where people find the page that listens on an address: under its first name, if it has one.
func (c Config) Shown(listening net.Addr) string {
	host, port, err := net.SplitHostPort(listening.String())
	if err != nil {
		return c.scheme() + "://" + listening.String() + "/"
	}
	host = reachable(host)
	if len(c.Names) > 0 {
		host, port = splitName(c.Names[0], port)
	}
	return c.scheme() + "://" + net.JoinHostPort(host, port) + "/"
}

// Hosts are the names without their ports.
func (c Config) Hosts() (hosts []string) {
	for _, name := range c.Names {
		host, _ := splitName(name, "")
		hosts = append(hosts, host)
	}
	return hosts
}

func (c Config) scheme() string {
	if c.TLS.On() {
		return "https"
	}
	return "http"
}

func (c Config) address() string {
	if c.Listen == "" {
		return DefaultListen
	}
	return c.Listen
}

// BeyondLoopback says whether other computers reach the page.
func (c Config) BeyondLoopback() bool {
	host, _, err := net.SplitHostPort(c.address())
	if err != nil || host == "localhost" {
		return false
	}
	ip, err := netip.ParseAddr(host)
	return host == "" || err == nil && !ip.IsLoopback()
}

const listenAllowed = "an address of this computer and a port, such as 127.0.0.1:8467, [::1]:8467, or with tls 0.0.0.0:8467"

// Check adds every fault that it sees to r. That people can sign in, only the whole configuration tells.
func (c *Config) Check(r *strict.Report) {
	if what := refuse(c.address()); what != "" {
		r.At("listen").Fault(what, listenAllowed)
	} else if c.BeyondLoopback() && !c.TLS.On() {
		r.At("listen").Fault("would open the page to the network without TLS: anyone on the way could read and change what is sent",
			"tls: {self_made: true} or a certificate beside it, or a loopback address such as 127.0.0.1:8467")
	}
	c.TLS.Check(r.At("tls"))
	for i, name := range c.Names {
		host, port := splitName(name, "1")
		if strings.Contains(name, "/") {
			host = name // an address of a page, which certificate.CheckName refuses
		}
		if err := certificate.CheckName(host); err != nil {
			r.At("names").Index(i).Fault(fmt.Sprintf("%.80q %v", name, err), "a name or an address, such as weighpost.lab.example or 192.0.2.7")
		} else if !isPort(port) {
			r.At("names").Index(i).Fault(fmt.Sprintf("%.80q has no port number after its colon", name), "a name with a port, such as weighpost.lab.example:443")
		}
	}
}

// splitName takes the port off a name or an address that has one.
func splitName(name, otherwise string) (host, port string) {
	if ip, err := netip.ParseAddr(name); err == nil {
		return ip.String(), otherwise
	}
	if host, port, err := net.SplitHostPort(name); err == nil {
		return host, port
	}
	return name, otherwise
}

// refuse says why the page may not listen there, or "".
func refuse(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Sprintf("%q is no address with a port", address)
	}
	if !isPort(port) {
		return fmt.Sprintf("%q is no port number", port)
	}
	if host == "localhost" || host == "" {
		return ""
	}
	if _, err := netip.ParseAddr(host); err != nil {
		return fmt.Sprintf("%q is no address of this computer", host)
	}
	return ""
}

func isPort(text string) bool {
	n, err := strconv.ParseUint(text, 10, 16)
	return err == nil && strconv.FormatUint(n, 10) == text
}
