package timestamp

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"time"
)

// Token is a TimeStampToken as it was read.
type Token struct {
	Raw      []byte // the whole token in DER
	GenTime  time.Time
	Accuracy time.Duration // how far GenTime may be off, by the authority's word; 0: it says nothing
	Serial   *big.Int
	Policy   asn1.ObjectIdentifier
	Nonce    *big.Int // nil: none

	hashed imprint
	signed signed
}

// tstInfo is TSTInfo (RFC 3161 section 2.4.2).
type tstInfo struct {
	Version    int
	Policy     asn1.ObjectIdentifier
	Imprint    imprint
	Serial     *big.Int
	GenTime    time.Time        `asn1:"generalized"`
	Accuracy   accuracy         `asn1:"optional"`
	Ordering   bool             `asn1:"optional"`
	Nonce      *big.Int         `asn1:"optional"`
	TSA        asn1.RawValue    `asn1:"optional,tag:0"`
	Extensions []pkix.Extension `asn1:"optional,tag:1"`
}

type accuracy struct {
	Seconds int `asn1:"optional"`
	Millis  int `asn1:"optional,tag:0"`
	Micros  int `asn1:"optional,tag:1"`
}

func (a accuracy) duration() (time.Duration, error) {
	if a.Seconds < 0 || a.Seconds > 1<<31 || a.Millis < 0 || a.Millis > 999 || a.Micros < 0 || a.Micros > 999 {
		return 0, errors.New("its accuracy is out of range")
	}
	return time.Duration(a.Seconds)*time.Second + time.Duration(a.Millis)*time.Millisecond + time.Duration(a.Micros)*time.Microsecond, nil
}

// Parse reads a TimeStampToken: CMS SignedData over a TSTInfo, in DER, with one signer whose certificate is in it.
func Parse(der []byte) (*Token, error) {
	t, err := parse(der)
	if err != nil {
		return nil, fmt.Errorf("the time-stamp token cannot be taken: %w", err)
	}
	return t, nil
}

func parse(der []byte) (*Token, error) {
	if len(der) > MaxResponse {
		return nil, fmt.Errorf("it has more than %d bytes", MaxResponse)
	}
	s, err := parseSigned(der)
	if err != nil {
		return nil, err
	}
	var info tstInfo
	rest, err := asn1.Unmarshal(s.content, &info)
	if err != nil || len(rest) > 0 {
		return nil, errors.New("what it signs is no time-stamp information (RFC 3161) in DER")
	}
	if info.Version != 1 {
		return nil, fmt.Errorf("it has the version %d, and only 1 is known", info.Version)
	}
	if info.Serial == nil || info.Serial.BitLen() > 160 {
		return nil, errors.New("its serial number has more than 160 bits") // section 2.4.2
	}
	for _, x := range info.Extensions {
		if x.Critical {
			return nil, fmt.Errorf("it has the critical extension %v, which nobody here knows", x.Id)
		}
	}
	t := &Token{Raw: bytes.Clone(der), GenTime: info.GenTime.UTC(), Serial: info.Serial, Policy: info.Policy, Nonce: info.Nonce,
		hashed: info.Imprint, signed: s}
	t.Accuracy, err = info.Accuracy.duration()
	return t, err
}

// Over says why the token is not over the SHA-256 of data, or nil.
func (t *Token) Over(data []byte) error {
	sum := sha256.Sum256(data)
	switch {
	case !t.hashed.Algorithm.Algorithm.Equal(oidSHA256):
		return fmt.Errorf("the time-stamp token is over a digest %v, and SHA-256 was asked for", t.hashed.Algorithm.Algorithm)
	case !bytes.Equal(t.hashed.Hashed, sum[:]):
		return errors.New("the time-stamp token is over other bytes")
	}
	return nil
}

// Answers says why the token is not the answer to a request for data that NewRequest wrote, or nil.
func (t *Token) Answers(data []byte, nonce *big.Int, policy asn1.ObjectIdentifier) error {
	if err := t.Over(data); err != nil {
		return err
	}
	switch {
	case t.Nonce == nil || t.Nonce.Cmp(nonce) != 0:
		return errors.New("the time-stamp token answers another request: its nonce is not the one that was sent, so it may be an old token")
	case policy != nil && !t.Policy.Equal(policy):
		return fmt.Errorf("the time-stamp token was made under the policy %v, and %v was asked for", t.Policy, policy)
	}
	return nil
}

// Authority is the name in the certificate whose key signed: its common name, or the whole name where it has none.
func (t *Token) Authority() string {
	name := t.signed.signer.Subject
	if name.CommonName != "" {
		return printable(name.CommonName)
	}
	return printable(name.String())
}

// Verify says why the token does not show that an authority below roots signed it, or nil. The certificates count at GenTime:
// that they expired since does not matter. Whether one was revoked is not asked.
func (t *Token) Verify(roots *x509.CertPool) error {
	if err := t.verify(roots); err != nil {
		return fmt.Errorf("the time-stamp token by %q cannot be relied on: %w", t.Authority(), err)
	}
	return nil
}

func (t *Token) verify(roots *x509.CertPool) error {
	if err := t.signed.verify(); err != nil {
		return err
	}
	if err := onlyTimeStamping(t.signed.signer); err != nil {
		return err
	}
	between := x509.NewCertPool()
	for _, c := range t.signed.certs {
		between.AddCert(c)
	}
	_, err := t.signed.signer.Verify(x509.VerifyOptions{
		Roots: roots, Intermediates: between, CurrentTime: t.GenTime, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageTimeStamping},
	})
	return chainFault(err, t.GenTime)
}

// onlyTimeStamping holds a certificate against RFC 3161 section 2.3: time-stamping is its one extended usage, and critical.
func onlyTimeStamping(c *x509.Certificate) error {
	for _, x := range c.Extensions {
		if !x.Id.Equal(oidExtKeyUsage) {
			continue
		}
		var usages []asn1.ObjectIdentifier
		rest, err := asn1.Unmarshal(x.Value, &usages)
		if err != nil || len(rest) > 0 || len(usages) != 1 || !usages[0].Equal(oidTimeStamping) {
			return errors.New("its certificate is not for time-stamping alone (RFC 3161, section 2.3)")
		}
		if !x.Critical {
			return errors.New("its certificate does not mark time-stamping as critical (RFC 3161, section 2.3)")
		}
		return nil
	}
	return errors.New("its certificate is not for time-stamping (RFC 3161, section 2.3)")
}

// chainFault puts the errors of x509 that a person can do something about into sentences.
func chainFault(err error, at time.Time) error {
	var invalid x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return fmt.Errorf("at its time, %s, a certificate was not valid any more or not yet: %q is valid from %s to %s",
			at.Format(time.RFC3339), printable(invalid.Cert.Subject.String()), invalid.Cert.NotBefore.UTC().Format(time.RFC3339),
			invalid.Cert.NotAfter.UTC().Format(time.RFC3339))
	case errors.As(err, &unknown):
		return errors.New("no authority that is trusted here vouches for its certificate")
	}
	return fmt.Errorf("its certificate does not hold: %s", printable(err.Error()))
}
