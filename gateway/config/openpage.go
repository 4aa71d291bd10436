package config

import "weighpost/parsers/strict"

// checkOpenPage refuses a page that others could reach and where nobody is told apart.
func (c *Config) checkOpenPage(r *strict.Report) {
	if c.Page.BeyondLoopback() && c.Page.TLS.On() && !r.At("people").Written() {
		r.At("page").At("listen").Fault("would open the page to the network, and nobody is asked to sign in",
			"a section people, that says how people sign in, or a loopback address such as 127.0.0.1:8467")
	}
}
