package timestamp_test

import (
	"bytes"
	"encoding/asn1"
	"math/big"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/timestamp"
	"weighpost/gateway/timestamp/authority"
	"weighpost/gateway/timestamp/tsatest"
)

var note = []byte("weighpost/seed-bank/7qx3\n12\nrootroot\n\n— key sig\n")

// asked is one request and OpenSSL's answer to it.
func asked(t *testing.T, a *tsatest.Authority) (reply []byte, nonce *big.Int) {
	t.Helper()
	query, nonce, err := timestamp.NewRequest(note, nil)
	if err != nil {
		t.Fatal(err)
	}
	return a.Reply(query), nonce
}

// TestATokenByOpenSSLIsTaken: outside check: `openssl ts -reply` made it. What it says is what OpenSSL prints of it.
func TestATokenByOpenSSLIsTaken(t *testing.T) {
	a := tsatest.Start(t)
	reply, nonce := asked(t, a)
	token, err := timestamp.ParseResponse(reply)
	if err != nil {
		t.Fatal(err)
	}
	roots, err := authority.Roots(a.CA)
	if err != nil {
		t.Fatal(err)
	}
	if err := token.Answers(note, nonce, nil); err != nil {
		t.Error(err)
	}
	if err := token.Verify(roots); err != nil {
		t.Error(err)
	}
	if token.Authority() != "Seed bank tsa" || token.Policy.String() != tsatest.Policy || token.Accuracy != 1500100*time.Microsecond {
		t.Errorf("%s, %v, %v", token.Authority(), token.Policy, token.Accuracy)
	}
	text := a.Run("ts", "-reply", "-in", "reply.tsr", "-text")
	for _, want := range []string{token.GenTime.Format("Jan _2 15:04:05 2006 GMT"), strings.ToUpper(token.Serial.Text(16)), strings.ToUpper(nonce.Text(16))} {
		if !strings.Contains(text, want) {
			t.Errorf("openssl prints no %s:\n%s", want, text)
		}
	}
	if d := time.Since(token.GenTime); d < -5*time.Second || d > time.Minute {
		t.Errorf("it tells %v", token.GenTime)
	}
	a.Write("note", note)
	a.Write("token.der", token.Raw)
	if out := a.Run("ts", "-verify", "-data", "note", "-in", "token.der", "-token_in", "-CAfile", a.CA); !strings.Contains(out, "Verification: OK") {
		t.Errorf("openssl does not verify it: %s", out)
	}
	if again, err := timestamp.Parse(token.Raw); err != nil || again.Verify(roots) != nil {
		t.Errorf("the token alone: %v", err)
	}
}

// TestTokensByOtherKeysAndDigestsAreTaken: RSA as PKCS #1 and PSS, another curve, SHA-384 and SHA-512; and SHA-1 is not. Outside
// check: `openssl cms -sign` made them.
func TestTokensByOtherKeysAndDigestsAreTaken(t *testing.T) {
	a := tsatest.Start(t)
	roots, err := authority.Roots(a.CA)
	if err != nil {
		t.Fatal(err)
	}
	cases := map[string]struct{ key, sign []string }{
		"ecdsa": {[]string{"ec", "-pkeyopt", "ec_paramgen_curve:P-384"}, []string{"-md", "sha384"}},
		"rsa":   {[]string{"rsa:2048"}, []string{"-md", "sha512"}},
		"pss":   {[]string{"rsa:2048"}, []string{"-md", "sha256", "-keyopt", "rsa_padding_mode:pss", "-keyopt", "rsa_pss_saltlen:32"}},
		"weak":  {a.Key, []string{"-md", "sha1"}},
	}
	for name, c := range cases {
		a.Key = c.key
		a.Certify(name, tsatest.ForTimeStamping)
	}
	reply, _ := asked(t, a)
	for name, c := range cases {
		token, err := timestamp.Parse(resigned(t, a, reply, name, c.sign...))
		if err == nil {
			err = token.Verify(roots)
		}
		if name != "weak" && err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if name == "weak" && (err == nil || !strings.Contains(err.Error(), "SHA-256, SHA-384 or SHA-512 would be")) {
			t.Errorf("a signature over SHA-1: %v", err)
		}
	}
}

// resigned is the information of a reply under another signature, by `openssl cms -sign`.
func resigned(t *testing.T, a *tsatest.Authority, reply []byte, signer string, more ...string) []byte {
	t.Helper()
	token, err := timestamp.ParseResponse(reply)
	if err != nil {
		t.Fatal(err)
	}
	a.Write("old.der", token.Raw)
	a.Run("cms", "-verify", "-noverify", "-inform", "DER", "-in", "old.der", "-out", "info.der", "-binary")
	a.Run(append([]string{"cms", "-sign", "-binary", "-in", "info.der", "-econtent_type", "1.2.840.113549.1.9.16.1.4", "-nodetach",
		"-outform", "DER", "-out", "new.der", "-cades", "-nosmimecap", "-signer", signer + ".pem", "-inkey", signer + ".key"}, more...)...)
	return a.Read("new.der")
}

// TestATokenThatIsNoEvidenceIsRefused: each with its own sentence.
func TestATokenThatIsNoEvidenceIsRefused(t *testing.T) {
	a := tsatest.Start(t)
	other := tsatest.Start(t)
	roots, err := authority.Roots(a.CA)
	if err != nil {
		t.Fatal(err)
	}
	a.Certify("server", tsatest.ForServers)
	a.Certify("both", "critical,timeStamping,serverAuth")
	a.Certify("soft", "timeStamping")
	a.Certify("none", "")
	a.Certify("expired", tsatest.ForTimeStamping, "-days", "-1")
	reply, nonce := asked(t, a)
	good, err := timestamp.ParseResponse(reply)
	if err != nil {
		t.Fatal(err)
	}
	verify := func(raw []byte) error {
		token, err := timestamp.Parse(raw)
		if err != nil {
			return err
		}
		return token.Verify(roots)
	}
	foreign, _ := asked(t, other)
	foreignToken, err := timestamp.ParseResponse(foreign)
	if err != nil {
		t.Fatal(err)
	}
	flip := func(at []byte) []byte {
		raw := bytes.Clone(good.Raw)
		i := bytes.Index(raw, at)
		if i < 0 {
			t.Fatal("the token does not hold what is to be altered")
		}
		raw[i+len(at)-1] ^= 1
		return raw
	}
	for what, c := range map[string]struct {
		err  error
		want string
	}{
		"other bytes":           {good.Over(append(bytes.Clone(note), '\n')), "the time-stamp token is over other bytes"},
		"another nonce":         {good.Answers(note, new(big.Int).Add(nonce, big.NewInt(1)), nil), "its nonce is not the one that was sent, so it may be an old token"},
		"another policy":        {good.Answers(note, nonce, asn1.ObjectIdentifier{1, 2, 3}), "made under the policy 1.2.3.4.1, and 1.2.3 was asked for"},
		"nobody's authority":    {verify(foreignToken.Raw), "no authority that is trusted here vouches for its certificate"},
		"expired":               {verify(resigned(t, a, reply, "expired")), "a certificate was not valid any more or not yet"},
		"for servers":           {verify(resigned(t, a, reply, "server")), "not for time-stamping alone"},
		"for other things too":  {verify(resigned(t, a, reply, "both")), "not for time-stamping alone"},
		"usage not critical":    {verify(resigned(t, a, reply, "soft")), "does not mark time-stamping as critical"},
		"without a usage":       {verify(resigned(t, a, reply, "none")), "its certificate is not for time-stamping (RFC 3161"},
		"another time in it":    {verify(flip([]byte(good.GenTime.Format("20060102150405")))), "it was altered: its signature is over other information"},
		"signature altered":     {verify(append(bytes.Clone(good.Raw[:len(good.Raw)-1]), good.Raw[len(good.Raw)-1]^1)), "its signature is not by the key of its certificate"},
		"bytes after it":        {verify(append(bytes.Clone(good.Raw), 0)), "it is no signed data (RFC 5652) in DER"},
		"cut off":               {verify(good.Raw[:len(good.Raw)-1]), "it is no signed data (RFC 5652) in DER"},
		"a token as a response": {func() error { _, err := timestamp.ParseResponse(good.Raw); return err }(), "no time-stamp response"},
		"too long":              {func() error { _, err := timestamp.ParseResponse(make([]byte, timestamp.MaxResponse+1)); return err }(), "more than 65536 bytes"},
		"granted and empty":     {func() error { _, err := timestamp.ParseResponse([]byte{0x30, 5, 0x30, 3, 2, 1, 0}); return err }(), "holds no token"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, c.err, c.want)
		}
	}
	if err := verify(good.Raw); err != nil { // the token that was altered above is good itself
		t.Error(err)
	}
}

// TestARefusalIsToldInItsOwnTerms: a policy that the authority has not, by OpenSSL.
func TestARefusalIsToldInItsOwnTerms(t *testing.T) {
	a := tsatest.Start(t)
	query, _, err := timestamp.NewRequest(note, asn1.ObjectIdentifier{1, 9, 9})
	if err != nil {
		t.Fatal(err)
	}
	_, err = timestamp.ParseResponse(a.Reply(query))
	if err == nil || !strings.HasPrefix(err.Error(), "the authority gave no token: it rejected the request, because it does not support the policy that was asked for (") {
		t.Errorf("%v", err)
	}
}

func TestParsePolicy(t *testing.T) {
	for _, good := range []string{"1.2.3", "0.39", "2.999.4", "1.3.6.1.4.1.4146.2"} {
		if oid, err := timestamp.ParsePolicy(good); err != nil || oid.String() != good {
			t.Errorf("%s: %v, %v", good, oid, err)
		}
	}
	for _, bad := range []string{"", ".", "1", "1.", ".1", "1..2", "1.02", "3.1", "1.40", "1.2.x", "1.2.99999999999", "-1.2", "1.2 "} {
		if oid, err := timestamp.ParsePolicy(bad); err == nil {
			t.Errorf("%q is taken as %v", bad, oid)
		}
	}
}

// FuzzParseResponse: nothing that an authority sends ends the process.
func FuzzParseResponse(f *testing.F) {
	f.Add([]byte{0x30, 5, 0x30, 3, 2, 1, 2})
	f.Add([]byte{0x30, 0x80})
	f.Fuzz(func(t *testing.T, b []byte) {
		token, err := timestamp.ParseResponse(b)
		if err == nil {
			_, _ = token.Over(b), token.Verify(nil)
		}
	})
}
