package sftp

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"weighpost/sinks"
	"weighpost/sinks/folder"
)

// pin is one key that a server may show: its fingerprint, and its type where that is known.
type pin struct{ fingerprint, kind string }

// readPin reads SHA256:… or a line of a public key.
func readPin(text string) (pin, error) {
	text = strings.TrimSpace(text)
	if hash, is := strings.CutPrefix(text, "SHA256:"); is {
		if b, err := base64.RawStdEncoding.DecodeString(hash); err != nil || len(b) != 32 {
			return pin{}, fmt.Errorf("%.80q is no fingerprint of a key", text)
		}
		return pin{fingerprint: text}, nil
	}
	key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(text))
	if err != nil || len(options) > 0 || len(rest) > 0 {
		return pin{}, fmt.Errorf("%.80q is no key of a server", text)
	}
	return pin{ssh.FingerprintSHA256(key), key.Type()}, nil
}

// wrongKey says that the server showed a key that is not among those that are known.
type wrongKey struct{ kind, fingerprint string }

func (w wrongKey) Error() string {
	return fmt.Sprintf("shows the key %s (%s), which is not one of host_keys: somebody may have taken its place, or it was set up anew. "+
		"Nothing was sent. Ask the one who looks after the server, and only then write the new key into host_keys", w.fingerprint, w.kind)
}

// kinds are the types of host keys that are asked for, and the algorithms that go with each (RFC 8332 for RSA).
var kinds = map[string][]string{
	ssh.KeyAlgoED25519:  {ssh.KeyAlgoED25519},
	ssh.KeyAlgoECDSA256: {ssh.KeyAlgoECDSA256},
	ssh.KeyAlgoECDSA384: {ssh.KeyAlgoECDSA384},
	ssh.KeyAlgoECDSA521: {ssh.KeyAlgoECDSA521},
	ssh.KeyAlgoRSA:      {ssh.KeyAlgoRSASHA512, ssh.KeyAlgoRSASHA256},
}

// order is the order in which they are asked for.
var order = []string{ssh.KeyAlgoED25519, ssh.KeyAlgoECDSA256, ssh.KeyAlgoECDSA384, ssh.KeyAlgoECDSA521, ssh.KeyAlgoRSA}

// connect makes a connection to a server that shows a known key. A server has keys of several types and shows one: with a
// fingerprint alone it is not known of which type the known one is, and one type after another is asked for.
func (c *Config) connect(ctx context.Context, address string, auth []ssh.AuthMethod) (net.Conn, *ssh.Client, error) {
	var pins []pin
	left := slices.Clone(order)
	for _, text := range c.HostKeys {
		p, err := readPin(text)
		if err != nil {
			return nil, nil, sinks.Unusable{Err: err}
		}
		pins = append(pins, p)
	}
	if !slices.ContainsFunc(pins, func(p pin) bool { return p.kind == "" }) {
		left = slices.DeleteFunc(left, func(kind string) bool {
			return !slices.ContainsFunc(pins, func(p pin) bool { return p.kind == kind })
		})
	}
	var first error
	for {
		var shown ssh.PublicKey
		conn, client, err := c.handshake(ctx, address, auth, left, func(key ssh.PublicKey) error {
			shown = key
			if slices.ContainsFunc(pins, func(p pin) bool { return p.fingerprint == ssh.FingerprintSHA256(key) }) {
				return nil
			}
			return wrongKey{key.Type(), ssh.FingerprintSHA256(key)}
		})
		var wrong wrongKey
		switch {
		case errors.As(err, &wrong):
		case first != nil && isNoCommon(err): // it has no key of another type
			return nil, nil, first
		default:
			return conn, client, err
		}
		if first == nil {
			first = sinks.Unusable{Err: fmt.Errorf("%s: the server %w", c.where(), wrong)}
		}
		left = slices.DeleteFunc(left, func(kind string) bool { return kind == shown.Type() })
		if len(left) == 0 {
			return nil, nil, first
		}
	}
}

func isNoCommon(err error) bool {
	return err != nil && strings.Contains(err.Error(), "no common algorithm")
}

// handshake makes one connection and signs in. It ends with ctx, and after the time of one answer for each of its steps.
func (c *Config) handshake(ctx context.Context, address string, auth []ssh.AuthMethod, want []string, known func(ssh.PublicKey) error) (net.Conn, *ssh.Client, error) {
	conn, err := (&net.Dialer{Timeout: c.Timeout.D(), KeepAlive: 15 * time.Second}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, nil, err
	}
	config := &ssh.ClientConfig{User: c.User, Auth: auth, ClientVersion: "SSH-2.0-weighpost",
		HostKeyCallback: func(_ string, _ net.Addr, key ssh.PublicKey) error { return known(key) }}
	for _, kind := range want {
		config.HostKeyAlgorithms = append(config.HostKeyAlgorithms, kinds[kind]...)
	}
	var client *ssh.Client
	limit := folder.Limit{Each: c.Timeout.D(), Cut: func() { _ = conn.Close() }}
	err = limit.Do(ctx, func(context.Context) error {
		through, channels, requests, err := ssh.NewClientConn(conn, address, config)
		if err == nil {
			client = ssh.NewClient(through, channels, requests)
		}
		return err
	})
	if err != nil {
		_ = conn.Close() // nothing was said
		return nil, nil, err
	}
	return conn, client, nil
}

// auth reads how the user shows who they are: it may have been changed since the last connection.
func (c *Config) auth() ([]ssh.AuthMethod, error) {
	var methods []ssh.AuthMethod
	if !c.PrivateKey.IsZero() {
		signer, err := c.signer()
		if err != nil {
			return nil, err
		}
		methods = append(methods, ssh.PublicKeys(signer))
	}
	if c.Password.IsZero() {
		return methods, nil
	}
	password, err := c.Password.Resolve()
	if err != nil {
		return nil, err
	}
	// Servers ask for a password in one of two ways; the second is RFC 4256.
	answer := func(_, _ string, questions []string, shown []bool) ([]string, error) {
		answers := make([]string, len(questions))
		for i := range questions {
			if i > 0 || shown[i] {
				return nil, errors.New("the server asks for more than a password")
			}
			answers[i] = string(password)
		}
		return answers, nil
	}
	return append(methods, ssh.Password(string(password)), ssh.KeyboardInteractive(answer)), nil
}

func (c *Config) signer() (ssh.Signer, error) {
	text, err := c.PrivateKey.Resolve()
	if err != nil {
		return nil, err
	}
	var signer ssh.Signer
	if c.Passphrase.IsZero() {
		signer, err = ssh.ParsePrivateKey(text)
	} else {
		var passphrase []byte
		if passphrase, err = c.Passphrase.Resolve(); err != nil {
			return nil, err
		}
		signer, err = ssh.ParsePrivateKeyWithPassphrase(text, passphrase)
	}
	var missing *ssh.PassphraseMissingError
	switch {
	case errors.As(err, &missing):
		return nil, fmt.Errorf("%s is a private key with a passphrase: name it under passphrase", c.PrivateKey)
	case err != nil:
		return nil, fmt.Errorf("%s is no private key that can be read, or its passphrase is another", c.PrivateKey)
	}
	return signer, nil
}
