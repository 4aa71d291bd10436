package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"

	"weighpost/sinks"
)

// line is one connection to the server.
type line struct {
	client *gomail.Client
	smtp   *smtp.Client
	end    func() bool // no longer tied to the context

	mu   sync.Mutex
	conn net.Conn
	over bool
}

// cut ends the connection, also in the middle of a word.
func (l *line) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.over = true; l.conn != nil {
		_ = l.conn.Close()
	}
}

// hold notes the connection that cut is to end.
func (l *line) hold(c net.Conn) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn = c; l.over {
		_ = c.Close()
		return context.DeadlineExceeded
	}
	return nil
}

// close says goodbye and hangs up. It does not wait long for an answer: what was accepted was acknowledged before.
func (l *line) close() {
	l.end()
	l.mu.Lock()
	if l.conn != nil {
		_ = l.conn.SetDeadline(time.Now().Add(time.Second))
	}
	l.mu.Unlock()
	_ = l.client.CloseWithSMTPClient(l.smtp)
	l.cut()
}

// connect dials, encrypts and shows who we are. The connection is cut when ctx ends.
func (s *Sink) connect(ctx context.Context) (*line, error) {
	host, port, err := s.cfg.address()
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	trust, err := s.trust(host)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	options, err := s.options(port, trust)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	l := &line{end: func() bool { return true }}
	client, err := gomail.NewClient(host, append(options, gomail.WithDialContextFunc(func(ctx context.Context, network, address string) (net.Conn, error) {
		return l.dial(ctx, network, address, s.cfg.TLS == implicitTLS, trust)
	}))...)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	l.client = client
	limit, cancel := context.WithTimeout(ctx, s.cfg.Timeout.D())
	defer cancel()
	stop := context.AfterFunc(limit, l.cut)
	l.smtp, err = client.DialToSMTPClientWithContext(limit)
	stop()
	if err != nil {
		l.cut()
		return nil, refusedLine(err)
	}
	l.end = context.AfterFunc(ctx, l.cut)
	return l, nil
}

func (s *Sink) options(port string, trust *tls.Config) ([]gomail.Option, error) {
	n, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	options := []gomail.Option{gomail.WithPort(n), gomail.WithTimeout(s.cfg.Timeout.D()), gomail.WithTLSConfig(trust), gomail.WithoutNoop(), gomail.WithoutRset(),
		gomail.WithoutSMTPUTF8()}
	switch s.cfg.TLS {
	case implicitTLS:
		options = append(options, gomail.WithSSL())
	case startTLS:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	}
	if s.cfg.User == "" {
		return options, nil
	}
	password, err := s.cfg.Password.Resolve()
	if err != nil {
		return nil, err
	}
	way := map[string]gomail.SMTPAuthType{"plain": gomail.SMTPAuthPlain, "login": gomail.SMTPAuthLogin, "xoauth2": gomail.SMTPAuthXOAUTH2}[s.cfg.Auth]
	if s.cfg.TLS == noTLS { // which the configuration allows on this machine, or where somebody wrote insecure
		switch way {
		case gomail.SMTPAuthPlain:
			way = gomail.SMTPAuthPlainNoEnc
		case gomail.SMTPAuthLogin:
			way = gomail.SMTPAuthLoginNoEnc
		}
	}
	return append(options, gomail.WithSMTPAuth(way), gomail.WithUsername(s.cfg.User), gomail.WithPassword(string(password))), nil
}

func (s *Sink) trust(host string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if s.cfg.CA == "" {
		return t, nil
	}
	pem, err := os.ReadFile(s.cfg.CA)
	if err != nil {
		return nil, fmt.Errorf("the certificates of the authorities cannot be read: %w", err)
	}
	t.RootCAs = x509.NewCertPool()
	if !t.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("the file %s holds no certificate in PEM form", s.cfg.CA)
	}
	return t, nil
}

func (l *line) dial(ctx context.Context, network, address string, secured bool, t *tls.Config) (net.Conn, error) {
	plain, err := (&net.Dialer{KeepAlive: 15 * time.Second}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	if err := l.hold(plain); err != nil {
		return nil, err
	}
	if !secured {
		return plain, nil
	}
	conn := tls.Client(plain, t)
	if err := conn.HandshakeContext(ctx); err != nil {
		plain.Close()
		return nil, err
	}
	return conn, nil
}

// send hands over one message. nil: the server has it and answered so.
func (l *line) send(m *gomail.Msg) error {
	err := l.client.SendWithSMTPClient(l.smtp, m)
	if err == nil || m.IsDelivered() {
		return nil
	}
	var told *gomail.SendError
	if !errors.As(err, &told) {
		return fmt.Errorf("the message was not taken: %w", err)
	}
	return unsent(told)
}

// unsent says what it means that a message was not taken (RFC 5321 section 4.2.1: 4yz may be tried again, 5yz not). Sender and receivers
// are the same for every message: a server that does not want those does not want any.
func unsent(told *gomail.SendError) error {
	err := errors.New(oneLine(told.Error(), mostSaid))
	code := told.ErrorCode()
	switch {
	case code < 500:
		return fmt.Errorf("the mail server did not take the message: %w", err)
	case told.Reason == gomail.ErrSMTPMailFrom:
		return sinks.Unusable{Err: fmt.Errorf("the mail server takes nothing from this sender: %w: check from, user and password", err)}
	case told.Reason == gomail.ErrSMTPRcptTo:
		return sinks.Unusable{Err: fmt.Errorf("the mail server takes nothing for a receiver: %w: check to", err)}
	}
	return sinks.Refused{Err: fmt.Errorf("the mail server refused the message: %w", err)}
}

// mostSaid is how many bytes of what a server said are shown.
const mostSaid = 300

// refusedLine says what it means that there is no connection on which messages can be sent.
func refusedLine(err error) error {
	var untrusted *tls.CertificateVerificationError
	var said *textproto.Error
	text := errors.New(oneLine(err.Error(), mostSaid))
	switch {
	case errors.As(err, &untrusted):
		return sinks.Unusable{Err: fmt.Errorf("the mail server's certificate is not trusted: %w", text)}
	case strings.Contains(err.Error(), "does not support STARTTLS"):
		return sinks.Unusable{Err: errors.New("the mail server does not offer STARTTLS: nothing is sent without encryption. Use tls: tls if it has a port for that")}
	case errors.Is(err, gomail.ErrPlainAuthNotSupported), errors.Is(err, gomail.ErrLoginAuthNotSupported), errors.Is(err, gomail.ErrXOauth2AuthNotSupported),
		strings.Contains(err.Error(), "does not support SMTP AUTH"):
		return sinks.Unusable{Err: fmt.Errorf("the mail server does not take a password in this way: %w: check auth, and whether it wants a password at all", text)}
	case errors.As(err, &said) && said.Code >= 500:
		return sinks.Unusable{Err: fmt.Errorf("the mail server turned us away: %w: check user and password", text)}
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, net.ErrClosed):
		return errors.New("the mail server did not answer in time")
	}
	return fmt.Errorf("no connection to the mail server: %w", text)
}
