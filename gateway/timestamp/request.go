package timestamp

import (
	"crypto"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509/pkix"
	"encoding/asn1"
	"fmt"
	"math/big"
)

// Object identifiers of RFC 3161, RFC 5652, RFC 5035, RFC 8017, RFC 5758 and RFC 8410.
var (
	oidSHA256 = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 1}
	oidSHA384 = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 2}
	oidSHA512 = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 3}

	oidSignedData    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2}
	oidTSTInfo       = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 1, 4}
	oidContentType   = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 3}
	oidMessageDigest = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 4}
	oidSigningCert   = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 12}
	oidSigningCertV2 = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 47}

	oidExtKeyUsage  = asn1.ObjectIdentifier{2, 5, 29, 37}
	oidTimeStamping = asn1.ObjectIdentifier{1, 3, 6, 1, 5, 5, 7, 3, 8}
)

// hashes are the digests that are taken; SHA-1 is none of them.
var hashes = []struct {
	oid  asn1.ObjectIdentifier
	hash crypto.Hash
}{{oidSHA256, crypto.SHA256}, {oidSHA384, crypto.SHA384}, {oidSHA512, crypto.SHA512}}

func hashOf(oid asn1.ObjectIdentifier) (crypto.Hash, error) {
	for _, h := range hashes {
		if h.oid.Equal(oid) {
			return h.hash, nil
		}
	}
	return 0, fmt.Errorf("it uses the digest %v, which is not taken: SHA-256, SHA-384 or SHA-512 would be", oid)
}

// imprint is MessageImprint (RFC 3161 section 2.4.1).
type imprint struct {
	Algorithm pkix.AlgorithmIdentifier
	Hashed    []byte
}

// timeStampReq is TimeStampReq (RFC 3161 section 2.4.1).
type timeStampReq struct {
	Version int
	Imprint imprint
	Policy  asn1.ObjectIdentifier `asn1:"optional"`
	Nonce   *big.Int              `asn1:"optional"`
	CertReq bool                  `asn1:"optional"`
}

// nonceBits makes it hopeless to answer with a token that was made before.
const nonceBits = 64

// NewRequest writes a request for a token over the SHA-256 of data, with a fresh nonce, which asks for the certificate too. A
// policy may be nil: then the authority chooses.
func NewRequest(data []byte, policy asn1.ObjectIdentifier) (der []byte, nonce *big.Int, err error) {
	nonce, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), nonceBits))
	if err != nil {
		return nil, nil, err
	}
	sum := sha256.Sum256(data)
	der, err = asn1.Marshal(timeStampReq{
		Version: 1, Policy: policy, Nonce: nonce, CertReq: true,
		Imprint: imprint{pkix.AlgorithmIdentifier{Algorithm: oidSHA256, Parameters: asn1.NullRawValue}, sum[:]},
	})
	return der, nonce, err
}

// ParsePolicy reads an OID in dotted form, "1.2.3.4".
func ParsePolicy(text string) (asn1.ObjectIdentifier, error) {
	var oid asn1.ObjectIdentifier
	n := 0
	for i := 0; i <= len(text); i++ {
		switch {
		case i < len(text) && text[i] >= '0' && text[i] <= '9' && n < 1<<27:
			n = 10*n + int(text[i]-'0')
		case i > 0 && text[i-1] != '.' && (i == len(text) || text[i] == '.'):
			oid, n = append(oid, n), 0
		default:
			return nil, fmt.Errorf("%q is no object identifier", text)
		}
	}
	if _, err := asn1.Marshal(oid); err != nil || oid.String() != text {
		return nil, fmt.Errorf("%q is no object identifier", text)
	}
	return oid, nil
}
