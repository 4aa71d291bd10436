package ldap

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"sync/atomic"
	"time"

	ber "github.com/go-asn1-ber/asn1-ber"
	goldap "github.com/go-ldap/ldap/v3"
)

const (
	// maxMessage is the longest single answer that is read, and maxAnswers all that is read on one connection, in bytes. A
	// person in 5,000 groups with DNs of 100 bytes needs half a MiB.
	maxMessage = 1 << 20
	maxAnswers = 4 << 20
	// maxNesting is how deep values within values of an answer may go; the deepest that LDAP has is 8 (RFC 4511 section 4.1.11,
	// controls of a search result). The decoder copies a value once for every level that it lies in.
	maxNesting = 24
	// maxCA is the longest file of authorities, in bytes.
	maxCA = 4 << 20
)

// The decoder has these limits for the whole program only, as variables without a lock: they are set before anything runs. Its
// own are 2 GiB and 1,000 levels.
func init() {
	ber.MaxPacketLengthBytes = maxMessage
	ber.MaxNestingDepth = maxNesting
}

// link is one connection to the directory, with its end fixed from the beginning.
type link struct {
	cfg  Config
	raw  *limited
	conn *goldap.Conn
	stop func() bool
	ctx  context.Context //nolint:containedctx // the connection lives exactly as long as the question that it is for
	tls  *tls.ConnectionState
	sick bool // something failed: there is nobody to say goodbye to
}

// limited is a connection that reads no more than was agreed.
type limited struct {
	net.Conn
	left atomic.Int64
}

var errTooMuch = fmt.Errorf("the directory answers with more than %d MiB", maxAnswers>>20)

func (l *limited) Read(p []byte) (int, error) {
	left := l.left.Load()
	if left <= 0 {
		return 0, errTooMuch
	}
	n, err := l.Conn.Read(p[:min(int64(len(p)), left)])
	l.left.Add(-int64(n))
	return n, err
}

// open connects, and has TLS begun where the configuration asks for it: nothing else is ever sent before that. When ctx ends,
// whatever waits on the connection ends too; the library has no limit of time that closes one.
func open(ctx context.Context, cfg Config) (*link, error) {
	u, err := url.Parse(cfg.URL)
	if err != nil {
		return nil, errors.New("the address of the directory is no URL")
	}
	secure := u.Scheme == "ldaps"
	port := map[bool]string{false: goldap.DefaultLdapPort, true: goldap.DefaultLdapsPort}[secure]
	address := net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), port))
	var conf *tls.Config
	if secure || cfg.StartTLS {
		if conf, err = cfg.tlsConfig(u.Hostname()); err != nil {
			return nil, err
		}
	}
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("no connection to %s: %w", address, late(ctx, cfg, err))
	}
	l := &link{cfg: cfg, raw: &limited{Conn: c}, ctx: ctx}
	l.raw.left.Store(maxAnswers)
	if end, ok := ctx.Deadline(); ok {
		_ = c.SetDeadline(end.Add(time.Second)) // a second rope: ctx closes the connection before
	}
	l.stop = context.AfterFunc(ctx, func() { _ = c.Close() })
	if err := l.begin(secure, conf); err != nil {
		l.sick = true
		l.close()
		return nil, err
	}
	return l, nil
}

// begin starts the protocol, in TLS where conf is given.
func (l *link) begin(secure bool, conf *tls.Config) error {
	if !secure {
		l.conn = goldap.NewConn(l.raw, false)
		l.conn.Start()
		if conf == nil {
			return nil
		}
		if err := l.conn.StartTLS(conf); err != nil {
			return fmt.Errorf("TLS cannot be begun (StartTLS), and nothing was sent in clear: %w", plain(l.why(err)))
		}
		state, ok := l.conn.TLSConnectionState()
		if !ok || !state.HandshakeComplete {
			return errors.New("TLS was not begun (StartTLS), and nothing was sent in clear")
		}
		l.tls = &state
		return nil
	}
	t := tls.Client(l.raw, conf)
	if err := t.HandshakeContext(l.ctx); err != nil {
		return fmt.Errorf("TLS cannot be begun: %w", l.why(err))
	}
	state := t.ConnectionState()
	l.tls = &state
	l.conn = goldap.NewConn(t, true)
	l.conn.Start()
	return nil
}

// tlsConfig reads the file of authorities anew for each connection, so that a renewed one needs no restart. The name is
// validated as RFC 6125 has it: what the certificate was made out to must be the host of the URL (RFC 4513 section 3.1.3).
func (c Config) tlsConfig(host string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if c.CA == "" {
		return t, nil
	}
	info, err := os.Stat(c.CA)
	if err == nil && (!info.Mode().IsRegular() || info.Size() > maxCA) {
		return nil, fmt.Errorf("%s is no file of certificate authorities", c.CA)
	}
	pem, err := os.ReadFile(c.CA)
	if err != nil {
		return nil, fmt.Errorf("the file of certificate authorities cannot be read: %w", err)
	}
	t.RootCAs = x509.NewCertPool()
	if !t.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", c.CA)
	}
	return t, nil
}

// close says goodbye (RFC 4511 section 4.3) where there is somebody left, and closes. The network connection goes first: the
// library's own close waits for a write that may stand still.
func (l *link) close() {
	if l.conn != nil && !l.sick && l.ctx.Err() == nil {
		_ = l.conn.Unbind()
	}
	l.stop()
	_ = l.raw.Close()
	if l.conn != nil {
		_ = l.conn.Close()
	}
}

// why says in words what stopped a question, where that is known better than by the library's error.
func (l *link) why(err error) error {
	if err == nil {
		return nil
	}
	if l.raw.left.Load() <= 0 {
		return errTooMuch
	}
	return late(l.ctx, l.cfg, err)
}

// late puts "did not answer in time" in place of what closing the connection looks like.
func late(ctx context.Context, cfg Config, err error) error {
	var timeout net.Error
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return fmt.Errorf("no whole answer within %s", cfg.Timeout)
	case ctx.Err() != nil:
		return ctx.Err()
	}
	var library *goldap.Error
	if errors.As(err, &library) && !answered(err) && library.Err != nil {
		return library.Err // without the library's own number
	}
	return err
}

// seconds is the limit of time that the directory is told, in whole seconds.
func (c Config) seconds() int { return int(math.Ceil(c.Timeout.D().Seconds())) }

// search asks for entries, at most so many. More is an error (sizeLimitExceeded), and so is everything else that is not a
// whole answer: the entries so far are given for whoever wants to count them. Referrals are not followed: the secrets and
// rules of one directory are not another's.
func (l *link) search(base string, scope int, filter string, most int, attributes ...string) ([]*goldap.Entry, error) {
	request := goldap.NewSearchRequest(base, scope, goldap.NeverDerefAliases, most, l.cfg.seconds(), false, filter, attributes, nil)
	request.EnforceSizeLimit = true
	result, err := l.conn.Search(request)
	if err != nil && !answered(err) {
		l.sick = true
		err = l.why(err)
	}
	if result == nil {
		return nil, cmp.Or(err, errors.New("no answer"))
	}
	return result.Entries, err
}

// bind says who asks from here on. The answer of a password policy is nil where there was none.
func (l *link) bind(dn, secret string, policy bool) (*goldap.ControlBeheraPasswordPolicy, error) {
	var controls []goldap.Control
	if policy {
		controls = append(controls, goldap.NewControlBeheraPasswordPolicy())
	}
	result, err := l.conn.SimpleBind(goldap.NewSimpleBindRequest(dn, secret, controls))
	if err != nil && !answered(err) {
		l.sick = true
		err = l.why(err)
	}
	if result == nil {
		return nil, cmp.Or(err, errors.New("no answer"))
	}
	for _, c := range result.Controls {
		if p, ok := c.(*goldap.ControlBeheraPasswordPolicy); ok {
			return p, err
		}
	}
	return nil, err
}

// bindService binds as the account that looks people up.
func (l *link) bindService() error {
	secret, err := l.cfg.Password.Resolve()
	if err != nil {
		return err
	}
	_, err = l.bind(l.cfg.BindDN, string(secret), false)
	if err != nil {
		return fmt.Errorf("the directory does not let the account %s in: %w", l.cfg.BindDN, plain(err))
	}
	return nil
}

// answered says whether an error is a result that the directory gave, and not one of the library's own, which begin at 200.
func answered(err error) bool {
	var e *goldap.Error
	return errors.As(err, &e) && e.ResultCode < 200
}

// code is the result code of an answer (RFC 4511 appendix A), or -1 where there is none.
func code(err error) int {
	var e *goldap.Error
	if errors.As(err, &e) && e.ResultCode < 200 {
		return int(e.ResultCode)
	}
	return -1
}
