package sinks

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
)

// ClientTLS is how a sink speaks TLS to a host: with the authorities of the PEM file ca, or those of the system where that is "",
// and with the client certificate of two PEM files, or none. host is whom the server's certificate has to name; "" leaves that to
// the library that dials. The files are read anew for each call, so that a renewed certificate needs no restart.
func ClientTLS(host, ca, certificate, key string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if ca != "" {
		pem, err := os.ReadFile(ca)
		if err != nil {
			return nil, fmt.Errorf("the file of certificate authorities cannot be read: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form", ca)
		}
	}
	if certificate != "" {
		pair, err := tls.LoadX509KeyPair(certificate, key)
		if err != nil {
			return nil, fmt.Errorf("the client certificate %s with the key %s cannot be used: %w", certificate, key, err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}
