package mqtt

import "crypto/tls"

// HowMany is how many brokers there are, for whoever speaks another language with the same ones.
func (c *Config) HowMany() int { return len(c.addresses()) }

// Endpoint is the address to dial of one of them, counted from 0 in order of preference, and the TLS configuration or nil. Files are
// read anew for each call, so that a renewed certificate needs no restart.
func (c *Config) Endpoint(broker int) (address string, t *tls.Config, err error) {
	return c.endpoint(c.addresses()[broker])
}
