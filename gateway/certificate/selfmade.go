package certificate

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"time"
)

const (
	// lifetime is the longest that clients took from authorities of the system when the rule was made (CA/Browser Forum, Baseline
	// Requirements, ballot SC31: 398 days), less a day for clocks that differ.
	lifetime = 397 * 24 * time.Hour
	// backdate lets clients in whose clocks are behind.
	backdate = time.Hour
)

// make writes a new self-made pair. The key goes first: a certificate that is there has its key.
func makePair(folder string, names []string, now time.Time) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	der, err := sign(key, names, now)
	if err != nil {
		return err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})
	if err := writeFile(filepath.Join(folder, keyName), text, 0o600); err != nil {
		return err
	}
	return writeFile(ServedFile(folder), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644)
}

func sign(key *ecdsa.PrivateKey, names []string, now time.Time) ([]byte, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127)) // RFC 5280, section 4.1.2.2: positive, at most 20 octets
	if err != nil {
		return nil, err
	}
	t := &x509.Certificate{
		SerialNumber: serial.Add(serial, big.NewInt(1)),
		Subject:      pkix.Name{CommonName: "weighpost page", SerialNumber: fmt.Sprintf("%x", serial.Bytes()[:4])},
		NotBefore:    now.Add(-backdate), NotAfter: now.Add(lifetime - backdate),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, // and no authority: whoever trusts it trusts this page, and nothing that it could sign
	}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			t.IPAddresses = append(t.IPAddresses, ip)
		} else {
			t.DNSNames = append(t.DNSNames, name)
		}
	}
	return x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
}

// selfMade gives the self-made pair of a folder, made anew where there is none, where it runs out soon or is not valid yet, or
// where it does not stand for all the names that it must.
func selfMade(folder string, must, may []string, now time.Time) (*tls.Certificate, error) {
	pair, err := readPair(ServedFile(folder), filepath.Join(folder, keyName))
	if err == nil && standsFor(pair.Leaf, must) && unusableAt(pair.Leaf, now) == "" && now.Before(pair.Leaf.NotAfter.Add(-soon(pair.Leaf))) {
		return pair, nil
	}
	names := slices.Concat(must, may)
	slices.Sort(names)
	if err := makePair(folder, slices.Compact(names), now); err != nil {
		return pair, fmt.Errorf("a certificate cannot be made in %s: %w", folder, err) // pair may be good for some days more
	}
	return readPair(ServedFile(folder), filepath.Join(folder, keyName))
}

func readPair(certificate, key string) (*tls.Certificate, error) {
	c, err := readFile(certificate, false)
	if err != nil {
		return nil, err
	}
	k, err := readFile(key, true)
	if err != nil {
		return nil, err
	}
	return parsePair(c, k)
}

// standsFor says whether a certificate is of ours and names all of these.
func standsFor(leaf *x509.Certificate, names []string) bool {
	if leaf.Subject.CommonName != "weighpost page" {
		return false // the copy of one that was given before
	}
	return !slices.ContainsFunc(names, func(n string) bool { return leaf.VerifyHostname(n) != nil })
}

// Around is what a self-made certificate names beyond what is configured: this computer's name and its addresses as they are
// now. An address that comes later is answered all the same, and a browser says once more that it does not know it.
func Around() (names []string) {
	if host, err := os.Hostname(); err == nil && CheckName(host) == nil {
		names = append(names, host)
	}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return names
	}
	for _, a := range addresses {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().IsGlobalUnicast() && len(names) < 64 {
			names = append(names, p.Addr().Unmap().String())
		}
	}
	return names
}
