package timestamp

import (
	"encoding/asn1"
	"fmt"
	"strings"
	"unicode"
)

// MaxResponse is how many bytes a response may have: a token with a chain of certificates has some thousands.
const MaxResponse = 64 << 10

// pkiStatusInfo is PKIStatusInfo (RFC 3161 section 2.4.2).
type pkiStatusInfo struct {
	Status int
	Text   []asn1.RawValue `asn1:"optional"`
	Fail   asn1.BitString  `asn1:"optional"`
}

// timeStampResp is TimeStampResp.
type timeStampResp struct {
	Status pkiStatusInfo
	Token  asn1.RawValue `asn1:"optional"`
}

// statuses are the meanings of PKIStatus from 2 on; 0 and 1 bring a token.
var statuses = map[int]string{
	2: "it rejected the request", 3: "it asks to wait", 4: "it warns that its certificate is about to be revoked",
	5: "its certificate was revoked",
}

// failures are the meanings of the bits of PKIFailureInfo.
var failures = map[int]string{
	0: "it does not know the digest", 2: "it does not permit the request", 5: "the request has the wrong format",
	14: "its time source is not available", 15: "it does not support the policy that was asked for",
	16: "it does not support an extension", 17: "additional information is not available", 25: "it failed",
}

// NotGranted says that the authority gave no token, and why, in its own terms.
type NotGranted struct {
	Status int    // PKIStatus
	Why    string // a clause
}

func (n *NotGranted) Error() string { return "the authority gave no token: " + n.Why }

// ParseResponse reads a TimeStampResp in DER and gives the token in it. A *NotGranted says that there is none. The token is
// only read: Answers and Verify tell what it is worth.
func ParseResponse(der []byte) (*Token, error) {
	if len(der) > MaxResponse {
		return nil, fmt.Errorf("the answer has more than %d bytes, and no time-stamp needs them", MaxResponse)
	}
	var r timeStampResp
	rest, err := asn1.Unmarshal(der, &r)
	if err != nil || len(rest) > 0 {
		return nil, fmt.Errorf("the answer is no time-stamp response (RFC 3161) in DER")
	}
	if r.Status.Status != 0 && r.Status.Status != 1 {
		return nil, r.Status.refusal()
	}
	if len(r.Token.FullBytes) == 0 {
		return nil, fmt.Errorf("the answer says that the request is granted and holds no token")
	}
	return Parse(r.Token.FullBytes)
}

func (s *pkiStatusInfo) refusal() *NotGranted {
	what := statuses[s.Status]
	if what == "" {
		what = fmt.Sprintf("it answered the status %d, which there is not", s.Status)
	}
	for bit := range s.Fail.BitLength {
		if s.Fail.At(bit) == 1 && failures[bit] != "" {
			what += ", because " + failures[bit]
			break
		}
	}
	var texts []string
	for _, t := range s.Text[:min(len(s.Text), 3)] {
		texts = append(texts, printable(string(t.Bytes)))
	}
	if texts != nil {
		what += " (" + strings.Join(texts, "; ") + ")"
	}
	return &NotGranted{s.Status, what}
}

// printable keeps a text that somebody else wrote short and harmless.
func printable(text string) string {
	const most = 200
	text = strings.ToValidUTF8(text, "\uFFFD")
	text = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, text)
	if runes := []rune(text); len(runes) > most {
		text = string(runes[:most]) + "…"
	}
	return text
}
