package slapd

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Certificates are the PEM files of one made-up authority and of what it vouches for.
type Certificates struct {
	CAFile                             string
	Certificate, Key                   string // for 127.0.0.1 and localhost, valid for an hour
	ExpiredCertificate, ExpiredKey     string // the same, over since a minute
	OtherNameCertificate, OtherNameKey string // valid, for other.example
	OtherCAFile                        string // another authority
}

// NewCertificates makes two authorities, and certificates of the first.
func NewCertificates(t testing.TB) *Certificates {
	t.Helper()
	m := &maker{t: t, dir: t.TempDir()}
	c := &Certificates{}
	hour := time.Now().Add(time.Hour)
	ca, key := m.authority("ca", &c.CAFile)
	m.authority("other-ca", &c.OtherCAFile)
	local := []string{"localhost"}
	c.Certificate, c.Key = m.leaf("server", ca, key, local, hour)
	c.ExpiredCertificate, c.ExpiredKey = m.leaf("expired", ca, key, local, time.Now().Add(-time.Minute))
	c.OtherNameCertificate, c.OtherNameKey = m.leaf("other-name", ca, key, []string{"other.example"}, hour)
	return c
}

type maker struct {
	t      testing.TB
	dir    string
	serial int64
}

func (m *maker) authority(name string, file *string) (*x509.Certificate, *ecdsa.PrivateKey) {
	m.t.Helper()
	template := m.template("weighpost test "+name, time.Now().Add(time.Hour))
	template.IsCA, template.BasicConstraintsValid = true, true
	template.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature
	key := m.key()
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	m.must(err)
	cert, err := x509.ParseCertificate(der)
	m.must(err)
	*file = m.write(name+".pem", "CERTIFICATE", der)
	return cert, key
}

func (m *maker) leaf(name string, ca *x509.Certificate, caKey *ecdsa.PrivateKey, names []string, end time.Time) (certificate, keyFile string) {
	m.t.Helper()
	template := m.template("weighpost test "+name, end)
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	template.DNSNames = names
	if names[0] == "localhost" {
		template.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)}
	}
	key := m.key()
	der, err := x509.CreateCertificate(rand.Reader, template, ca, key.Public(), caKey)
	m.must(err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	m.must(err)
	return m.write(name+".pem", "CERTIFICATE", der), m.write(name+".key", "PRIVATE KEY", keyDER)
}

func (m *maker) template(name string, end time.Time) *x509.Certificate {
	m.serial++
	return &x509.Certificate{
		SerialNumber: big.NewInt(m.serial), Subject: pkix.Name{CommonName: name}, NotBefore: end.Add(-2 * time.Hour), NotAfter: end,
	}
}

func (m *maker) key() *ecdsa.PrivateKey {
	m.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	m.must(err)
	return key
}

func (m *maker) write(name, kind string, der []byte) string {
	m.t.Helper()
	path := filepath.Join(m.dir, name)
	m.must(os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	return path
}

func (m *maker) must(err error) {
	m.t.Helper()
	if err != nil {
		m.t.Fatal(err)
	}
}
