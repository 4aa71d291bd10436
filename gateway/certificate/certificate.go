// Package certificate keeps the certificate that the page shows: one that was given, taken anew when its files change, or one
// that weighpost made itself and renews ahead. It owns the two files, what of them is in use, and the conditions that tell when
// they cannot be used or run out. Who listens, and what is served, is the console's business.
//
// A pair that cannot be used, or is half written, is never taken: the one in use goes on, and a condition says so. Recording
// never waits for a certificate: without one that can be used the page answers nobody, and everything else works.
//
// The file page-certificate.pem in the journal's folder is what the page shows now. Clients on this computer hold the page to
// exactly that certificate, and trust no authority: whoever can write there owns the daemon.
package certificate

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Facts is what can be told of a certificate. All of it is shown to whoever connects.
type Facts struct {
	Fingerprint string    `json:"sha256" doc:"SHA-256 of the certificate, two hexadecimal digits a byte, with colons between."`
	Names       []string  `json:"names" nullable:"false" doc:"Names and addresses that it stands for."`
	From        time.Time `json:"from"`
	Until       time.Time `json:"until"`
	Issuer      string    `json:"issuer,omitempty" doc:"Who vouches for it; absent where it does so itself."`
}

// FactsOf tells of a certificate.
func FactsOf(leaf *x509.Certificate) Facts {
	f := Facts{Fingerprint: Fingerprint(leaf.Raw), From: leaf.NotBefore.UTC(), Until: leaf.NotAfter.UTC(), Names: slices.Clone(leaf.DNSNames)}
	for _, ip := range leaf.IPAddresses {
		f.Names = append(f.Names, ip.String())
	}
	if f.Names == nil {
		f.Names = []string{}
	}
	if string(leaf.RawIssuer) != string(leaf.RawSubject) {
		f.Issuer = leaf.Issuer.String()
	}
	return f
}

// Fingerprint is SHA-256 over a certificate's DER bytes in the form in which browsers and openssl x509 -fingerprint show it.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// parsePair makes a pair of two PEM texts, or says why they are none.
func parsePair(certificate, key []byte) (*tls.Certificate, error) {
	if err := whole(certificate); err != nil {
		return nil, err
	}
	pair, err := tls.X509KeyPair(certificate, key)
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "tls: "))
	}
	if pair.Leaf == nil {
		if pair.Leaf, err = x509.ParseCertificate(pair.Certificate[0]); err != nil {
			return nil, err
		}
	}
	if usage := pair.Leaf.ExtKeyUsage; len(usage) > 0 && !slices.Contains(usage, x509.ExtKeyUsageServerAuth) && !slices.Contains(usage, x509.ExtKeyUsageAny) {
		return nil, errors.New("the certificate is not for a server (its extended key usage says so)")
	}
	return &pair, nil
}

// whole refuses a text that ends within a block: tls.X509KeyPair would leave out what vouches for the certificate.
func whole(text []byte) error {
	for {
		block, rest := pem.Decode(text)
		if block == nil {
			if strings.Contains(string(text), "-----BEGIN") {
				return errors.New("the certificate's file ends in the middle of a block, or holds a damaged one")
			}
			return nil
		}
		text = rest
	}
}

// unusableAt says why a certificate is of no use at a time, or "".
func unusableAt(leaf *x509.Certificate, now time.Time) string {
	switch {
	case now.Before(leaf.NotBefore):
		return fmt.Sprintf("is valid only from %s on", inWords(leaf.NotBefore))
	case now.After(leaf.NotAfter):
		return fmt.Sprintf("ran out on %s", inWords(leaf.NotAfter))
	}
	return ""
}

// soon is how long before its end a certificate counts as running out: 30 days, or a third of a short life.
func soon(leaf *x509.Certificate) time.Duration {
	return min(30*24*time.Hour, leaf.NotAfter.Sub(leaf.NotBefore)/3)
}

func inWords(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }
