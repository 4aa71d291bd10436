package mosquitto

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

// Certificates are the PEM files of one made-up authority, valid for an hour.
type Certificates struct {
	CAFile                         string
	ServerCertificate, ServerKey   string // for 127.0.0.1 and localhost
	ClientCertificate, ClientKey   string
	StrangeCertificate, StrangeKey string // a client certificate of another authority
	OtherCAFile                    string // that other authority
}

// NewCertificates makes an authority with a server and a client certificate, and a second authority with a client of its own.
func NewCertificates(t testing.TB) *Certificates {
	t.Helper()
	m := maker{t: t, dir: t.TempDir()}
	ca := m.authority("ca")
	other := m.authority("other-ca")
	c := &Certificates{CAFile: ca.file, OtherCAFile: other.file}
	c.ServerCertificate, c.ServerKey = m.leaf("server", ca, x509.ExtKeyUsageServerAuth)
	c.ClientCertificate, c.ClientKey = m.leaf("client", ca, x509.ExtKeyUsageClientAuth)
	c.StrangeCertificate, c.StrangeKey = m.leaf("strange", other, x509.ExtKeyUsageClientAuth)
	return c
}

type maker struct {
	t      testing.TB
	dir    string
	serial int64
}

type authority struct {
	file string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func (m *maker) authority(name string) authority {
	m.t.Helper()
	template := m.template("weighpost test " + name)
	template.IsCA, template.BasicConstraintsValid = true, true
	template.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature
	key := m.key()
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	m.check(err)
	cert, err := x509.ParseCertificate(der)
	m.check(err)
	return authority{file: m.write(name+".pem", "CERTIFICATE", der), cert: cert, key: key}
}

func (m *maker) leaf(name string, ca authority, usage x509.ExtKeyUsage) (certificate, keyFile string) {
	m.t.Helper()
	template := m.template("weighpost test " + name)
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{usage}
	template.DNSNames = []string{"localhost"}
	template.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)}
	key := m.key()
	der, err := x509.CreateCertificate(rand.Reader, template, ca.cert, key.Public(), ca.key)
	m.check(err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	m.check(err)
	return m.write(name+".pem", "CERTIFICATE", der), m.write(name+".key", "PRIVATE KEY", keyDER)
}

func (m *maker) template(name string) *x509.Certificate {
	m.serial++
	return &x509.Certificate{
		SerialNumber: big.NewInt(m.serial), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Minute), NotAfter: time.Now().Add(time.Hour),
	}
}

func (m *maker) key() *ecdsa.PrivateKey {
	m.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	m.check(err)
	return key
}

func (m *maker) write(name, kind string, der []byte) string {
	m.t.Helper()
	path := filepath.Join(m.dir, name)
	m.check(os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	return path
}

func (m *maker) check(err error) {
	m.t.Helper()
	if err != nil {
		m.t.Fatal(err)
	}
}
