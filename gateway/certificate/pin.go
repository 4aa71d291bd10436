package certificate

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
)

// First reads the first certificate of a PEM file.
func First(path string) (*x509.Certificate, error) {
	text, err := readFile(path, false)
	if err != nil {
		return nil, err
	}
	for {
		block, rest := pem.Decode(text)
		switch {
		case block == nil:
			return nil, fmt.Errorf("%s holds no certificate", path)
		case block.Type == "CERTIFICATE":
			return x509.ParseCertificate(block.Bytes)
		}
		text = rest
	}
}

// Shown is the certificate that the page of a journal's folder shows by the files of this computer: the one that was noted when
// it was taken, else the first of the configured file.
func Shown(folder string, cfg Config) (*x509.Certificate, error) {
	leaf, err := First(ServedFile(folder))
	if err == nil || cfg.SelfMade {
		return leaf, absent(err)
	}
	given, givenErr := First(cfg.Certificate)
	if givenErr != nil {
		return nil, fmt.Errorf("what certificate the page shows cannot be read: %w", errors.Join(err, givenErr))
	}
	return given, nil
}

func absent(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the page has made no certificate yet, so start weighpost: %w", err)
	}
	return err
}

// Pin is the TLS of a client on the page's own computer: it talks to whoever has the key of exactly this certificate, whatever
// its names and dates, and to nobody else. TLS proves the key (RFC 8446, section 4.4.3).
func Pin(leaf *x509.Certificate) *tls.Config {
	return &tls.Config{
		InsecureSkipVerify: true, // VerifyConnection takes its place, and is stricter
		VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 || !s.PeerCertificates[0].Equal(leaf) {
				return errors.New("the page shows another certificate than the one that weighpost noted in the journal's folder: something else answers there")
			}
			return nil
		},
	}
}
