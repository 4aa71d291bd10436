package timestamp

import (
	"bytes"
	"crypto"
	"crypto/sha1" //nolint:staticcheck // the first form of ESSCertID has no other digest (RFC 2634 section 5.4.1)
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
)

// contentInfo and signedData are those of CMS (RFC 5652 sections 3 and 5.1).
type contentInfo struct {
	Type    asn1.ObjectIdentifier
	Content asn1.RawValue `asn1:"explicit,tag:0"`
}

type signedData struct {
	Version      int
	Digests      []pkix.AlgorithmIdentifier `asn1:"set"`
	Content      contentInfo
	Certificates asn1.RawValue `asn1:"optional,tag:0"`
	CRLs         asn1.RawValue `asn1:"optional,tag:1"`
	Signers      []signerInfo  `asn1:"set"`
}

type signerInfo struct {
	Version   int
	ID        asn1.RawValue
	Digest    pkix.AlgorithmIdentifier
	Signed    asn1.RawValue `asn1:"optional,tag:0"`
	Algorithm pkix.AlgorithmIdentifier
	Signature []byte
	Unsigned  asn1.RawValue `asn1:"optional,tag:1"`
}

type issuerAndSerial struct {
	Issuer asn1.RawValue
	Serial *big.Int
}

type attribute struct {
	Type   asn1.ObjectIdentifier
	Values asn1.RawValue `asn1:"set"`
}

// signed is the one signature of a token, with what it is over.
type signed struct {
	content []byte
	certs   []*x509.Certificate
	signer  *x509.Certificate
	info    signerInfo
}

// maxCertificates bounds how many certificates are looked at to find a chain.
const maxCertificates = 16

// parseSigned reads SignedData that has one signer and a TSTInfo in it (RFC 3161 section 2.4.2).
func parseSigned(der []byte) (s signed, err error) {
	var outer contentInfo
	var data signedData
	rest, err := asn1.Unmarshal(der, &outer)
	if err != nil || len(rest) > 0 || !outer.Type.Equal(oidSignedData) {
		return s, errors.New("it is no signed data (RFC 5652) in DER")
	}
	if rest, err = asn1.Unmarshal(outer.Content.Bytes, &data); err != nil || len(rest) > 0 {
		return s, errors.New("it is no signed data (RFC 5652) in DER")
	}
	if !data.Content.Type.Equal(oidTSTInfo) {
		return s, fmt.Errorf("it signs something of the type %v, which is no time-stamp", data.Content.Type)
	}
	if rest, err = asn1.Unmarshal(data.Content.Content.Bytes, &s.content); err != nil || len(rest) > 0 {
		return s, errors.New("what it signs is missing")
	}
	if len(data.Signers) != 1 {
		return s, fmt.Errorf("it has %d signers, and exactly one belongs there", len(data.Signers))
	}
	s.info = data.Signers[0]
	if s.certs, err = certificates(data.Certificates.Bytes); err != nil {
		return s, err
	}
	for _, c := range s.certs {
		if s.info.isBy(c) {
			s.signer = c
			return s, nil
		}
	}
	return s, errors.New("the certificate of its signer is not in it, though it was asked for")
}

func certificates(der []byte) (list []*x509.Certificate, err error) {
	for len(der) > 0 {
		var one asn1.RawValue
		if der, err = asn1.Unmarshal(der, &one); err != nil {
			return nil, errors.New("its certificates cannot be read")
		}
		if one.Class != asn1.ClassUniversal || one.Tag != asn1.TagSequence {
			continue // another form of certificate (RFC 5652 section 10.2.2), which nobody uses here
		}
		if len(list) == maxCertificates {
			return nil, fmt.Errorf("it holds more than %d certificates", maxCertificates)
		}
		c, err := x509.ParseCertificate(one.FullBytes)
		if err != nil {
			return nil, errors.New("its certificates cannot be read")
		}
		list = append(list, c)
	}
	return list, nil
}

// isBy says whether the certificate is the one that the signer names: by issuer and serial number, or by the id of its key.
func (i *signerInfo) isBy(c *x509.Certificate) bool {
	if i.ID.Class == asn1.ClassContextSpecific && i.ID.Tag == 0 {
		return len(c.SubjectKeyId) > 0 && bytes.Equal(i.ID.Bytes, c.SubjectKeyId)
	}
	var id issuerAndSerial
	rest, err := asn1.Unmarshal(i.ID.FullBytes, &id)
	return err == nil && len(rest) == 0 && bytes.Equal(id.Issuer.FullBytes, c.RawIssuer) && c.SerialNumber.Cmp(id.Serial) == 0
}

// verify says why the signer's certificate is not that of the signature over the content, or nil (RFC 5652 section 5.4).
func (s *signed) verify() error {
	hash, err := hashOf(s.info.Digest.Algorithm)
	if err != nil {
		return err
	}
	attributes, err := s.attributes()
	if err != nil {
		return err
	}
	var kind asn1.ObjectIdentifier
	if err := one(attributes, oidContentType, &kind); err != nil || !kind.Equal(oidTSTInfo) {
		return errors.New("its signature is not for a time-stamp")
	}
	var digest []byte
	if err := one(attributes, oidMessageDigest, &digest); err != nil || !bytes.Equal(digest, sum(hash, s.content)) {
		return errors.New("it was altered: its signature is over other information")
	}
	if err := s.namesCertificate(attributes); err != nil {
		return err
	}
	algorithm, err := algorithmOf(s.info.Algorithm, hash)
	if err != nil {
		return err
	}
	over := bytes.Clone(s.info.Signed.FullBytes)
	over[0] = 0x31 // signed as SET OF, whatever tag it has here
	if err := s.signer.CheckSignature(algorithm, over, s.info.Signature); err != nil {
		return errors.New("its signature is not by the key of its certificate")
	}
	return nil
}

func (s *signed) attributes() (list []attribute, err error) {
	rest := s.info.Signed.Bytes
	if len(rest) == 0 {
		return nil, errors.New("nothing of it is signed as a time-stamp has to be")
	}
	for len(rest) > 0 {
		var a attribute
		if rest, err = asn1.Unmarshal(rest, &a); err != nil {
			return nil, errors.New("its signed attributes cannot be read")
		}
		list = append(list, a)
	}
	return list, nil
}

// one reads the only value of an attribute that is there once.
func one(list []attribute, kind asn1.ObjectIdentifier, into any) error {
	var found []byte
	for _, a := range list {
		if !a.Type.Equal(kind) {
			continue
		}
		if found != nil {
			return errors.New("an attribute is there twice")
		}
		found = a.Values.Bytes
	}
	rest, err := asn1.Unmarshal(found, into)
	if err != nil || len(rest) > 0 {
		return errors.New("an attribute is missing or cannot be read")
	}
	return nil
}

// signingCertificate is SigningCertificate and SigningCertificateV2 (RFC 5035 sections 3 and 5), of which the first
// certificate is the signer's.
type signingCertificate struct {
	Certs    []asn1.RawValue
	Policies asn1.RawValue `asn1:"optional"`
}

type essCertID struct {
	Hash   []byte
	Issuer asn1.RawValue `asn1:"optional"`
}

type essCertIDv2 struct {
	Algorithm pkix.AlgorithmIdentifier `asn1:"optional"` // absent: SHA-256
	Hash      []byte
	Issuer    asn1.RawValue `asn1:"optional"`
}

// namesCertificate holds the certificate against what the signer said of it under its signature (RFC 3161 section 2.4.2,
// RFC 5816 section 2.2.1), so that no other certificate for the same key can be put in its place.
func (s *signed) namesCertificate(list []attribute) error {
	wrong := errors.New("the certificate in it is not the one that its signature names")
	var named signingCertificate
	if err := one(list, oidSigningCertV2, &named); err == nil && len(named.Certs) > 0 {
		var id essCertIDv2
		if _, err := asn1.Unmarshal(named.Certs[0].FullBytes, &id); err != nil {
			return wrong
		}
		hash := crypto.SHA256
		if len(id.Algorithm.Algorithm) > 0 {
			if hash, err = hashOf(id.Algorithm.Algorithm); err != nil {
				return err
			}
		}
		if !bytes.Equal(id.Hash, sum(hash, s.signer.Raw)) {
			return wrong
		}
		return nil
	}
	named = signingCertificate{}
	if err := one(list, oidSigningCert, &named); err != nil || len(named.Certs) == 0 {
		return errors.New("its signature names no certificate")
	}
	var id essCertID
	digest := sha1.Sum(s.signer.Raw)
	if _, err := asn1.Unmarshal(named.Certs[0].FullBytes, &id); err != nil || !bytes.Equal(id.Hash, digest[:]) {
		return wrong
	}
	return nil
}

func sum(hash crypto.Hash, b []byte) []byte {
	h := hash.New()
	h.Write(b)
	return h.Sum(nil)
}

// algorithmOf names a signature as x509 does. RSA is often written without its digest, which then stands beside it.
func algorithmOf(id pkix.AlgorithmIdentifier, digest crypto.Hash) (x509.SignatureAlgorithm, error) {
	type by map[crypto.Hash]x509.SignatureAlgorithm
	rsa := by{crypto.SHA256: x509.SHA256WithRSA, crypto.SHA384: x509.SHA384WithRSA, crypto.SHA512: x509.SHA512WithRSA}
	pss := by{crypto.SHA256: x509.SHA256WithRSAPSS, crypto.SHA384: x509.SHA384WithRSAPSS, crypto.SHA512: x509.SHA512WithRSAPSS}
	ecdsa := by{crypto.SHA256: x509.ECDSAWithSHA256, crypto.SHA384: x509.ECDSAWithSHA384, crypto.SHA512: x509.ECDSAWithSHA512}
	known := map[string]by{
		"1.2.840.113549.1.1.1":  rsa,
		"1.2.840.113549.1.1.10": pss,
		"1.2.840.113549.1.1.11": {crypto.SHA256: x509.SHA256WithRSA},
		"1.2.840.113549.1.1.12": {crypto.SHA384: x509.SHA384WithRSA},
		"1.2.840.113549.1.1.13": {crypto.SHA512: x509.SHA512WithRSA},
		"1.2.840.10045.2.1":     ecdsa,
		"1.2.840.10045.4.3.2":   {crypto.SHA256: x509.ECDSAWithSHA256},
		"1.2.840.10045.4.3.3":   {crypto.SHA384: x509.ECDSAWithSHA384},
		"1.2.840.10045.4.3.4":   {crypto.SHA512: x509.ECDSAWithSHA512},
		"1.3.101.112":           {crypto.SHA256: x509.PureEd25519, crypto.SHA384: x509.PureEd25519, crypto.SHA512: x509.PureEd25519},
	}
	if a, ok := known[id.Algorithm.String()][digest]; ok {
		return a, nil
	}
	return 0, fmt.Errorf("it is signed by an algorithm that is not taken (%v)", id.Algorithm)
}
