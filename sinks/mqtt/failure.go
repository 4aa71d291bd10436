package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"weighpost/sinks"
)

// explain turns what went wrong while connecting into a sentence, and tells what a person must mend from what passes.
// uncertified says that the broker asked for a client certificate and got none.
func explain(broker string, err error, uncertified bool) error {
	unusable := func(what string) error {
		return sinks.Unusable{Err: fmt.Errorf("the MQTT broker %s %s", broker, what)}
	}
	var d declined
	switch {
	case errors.As(err, &d):
		return turnedAway(broker, d)
	case errors.As(err, new(sinks.Unusable)):
		return sinks.Unusable{Err: fmt.Errorf("MQTT broker %s: %w", broker, cause(err))}
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword):
		return unusable("refuses the user name or the password: check username and password of this sink")
	case errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return unusable("does not let us in: check username, password and certificate of this sink, and the broker's list of users")
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return unusable("refuses the client id: set another client_id")
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return unusable("does not speak MQTT 3.1.1")
	case untrusted(err):
		return unusable(fmt.Sprintf("shows a certificate that is not trusted: %v: check ca and the host name in broker", cause(err)))
	case uncertified && (hungUp(err) || refusesCertificate(err)):
		// The alert that says so is often lost: in TLS 1.3 we have written by then, and are answered with a reset.
		return unusable("asks for a client certificate, and this sink has none: set certificate and key")
	case refusesCertificate(err):
		return unusable(fmt.Sprintf("refuses our certificate: %v: check certificate and key of this sink", cause(err)))
	case hungUp(err):
		return fmt.Errorf("the MQTT broker %s closed the connection before it answered: does it speak MQTT there, with or without TLS as configured, and does it take our certificate if we show one?", broker)
	}
	return fmt.Errorf("no connection to the MQTT broker %s: %w", broker, cause(err))
}

// turnedAway words a CONNACK of MQTT 5 that is no success.
func turnedAway(broker string, d declined) error {
	remedy := ""
	switch d.code {
	case 0x84:
		remedy = ": set version: 3.1.1"
	case 0x86, 0x87, 0x8a:
		remedy = ": check username, password and certificate of this sink, and the broker's list of users"
	case 0x85:
		remedy = ": set another client_id"
	case 0x9c, 0x9d:
		remedy = ": ask whoever runs it for its address"
	}
	return judge(reasonOf(d.code).greeting, fmt.Errorf("no connection to the MQTT broker %s: %s%s", broker, d.said(), remedy))
}

// hungUp says whether the other side closed a connection that had been made.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

// noticeRequest has the result tell, once a handshake was made, whether the server asked for a client certificate.
func noticeRequest(t *tls.Config) *atomic.Bool {
	asked := new(atomic.Bool)
	if t != nil {
		own := t.Certificates
		t.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			asked.Store(true)
			if len(own) == 0 {
				return new(tls.Certificate), nil // none, as without this function
			}
			return &own[0], nil
		}
	}
	return asked
}

// untrusted says whether the broker's certificate did not stand our check. It will not until someone acts.
func untrusted(err error) bool {
	var verification *tls.CertificateVerificationError
	var authority x509.UnknownAuthorityError
	var host x509.HostnameError
	return errors.As(err, &verification) || errors.As(err, &authority) || errors.As(err, &host)
}

// refusesCertificate recognises the alerts by which a TLS server turns down a client certificate (RFC 8446 clause 6.2). The
// standard library gives them no exported type outside QUIC, so their words decide.
func refusesCertificate(err error) bool {
	var op *net.OpError
	if !errors.As(err, &op) || op.Op != "remote error" {
		return false
	}
	alert := op.Err.Error()
	return strings.Contains(alert, "certificate") || strings.Contains(alert, "access denied")
}

// cause strips the words that the TLS library puts before what the other side said.
func cause(err error) error {
	text := err.Error()
	if plain, ok := strings.CutPrefix(text, "remote error: "); ok {
		return worded{err, plain}
	}
	return err
}

// worded is an error with other words and the same identity.
type worded struct {
	error
	text string
}

func (w worded) Error() string { return w.text }
func (w worded) Unwrap() error { return w.error }

// errDropped is what a self-test finds when a message was acknowledged and did not come back.
func errDropped(topic string) error {
	return sinks.Unusable{Err: fmt.Errorf("the broker acknowledges but drops what we publish to %s, or does not let us read it back: "+
		"check its access list: our user needs to write and to read there (or set self_test: false and go without this test)", topic)}
}
