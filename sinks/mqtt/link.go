package mqtt

import "crypto/tls"

// Endpoint is the address to dial, and the TLS configuration or nil, for whoever speaks another language with the same broker.
// Files are read anew for each call, so that a renewed certificate needs no restart.
func (c *Config) Endpoint() (address string, t *tls.Config, err error) {
	return c.endpoint(c.addresses()[0])
}
