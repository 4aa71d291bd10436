package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"weighpost/sinks"
)

// explain turns what went wrong while connecting into a sentence, and tells what a person must mend from what passes.
func explain(broker string, err error) error {
	unusable := func(what string) error {
		return sinks.Unusable{Err: fmt.Errorf("the MQTT broker %s %s", broker, what)}
	}
	switch {
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
	case refusesCertificate(err):
		return unusable(fmt.Sprintf("refuses our certificate: %v: check certificate and key of this sink", cause(err)))
	case errors.Is(err, io.EOF):
		return fmt.Errorf("the MQTT broker %s closed the connection before it answered: does it speak MQTT there, and with or without TLS as configured?", broker)
	}
	return fmt.Errorf("no connection to the MQTT broker %s: %w", broker, cause(err))
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

// cause strips the words that the client library puts before every network error.
func cause(err error) error {
	text := err.Error()
	for _, words := range []string{packets.ErrorNetworkError.Error() + " : ", "remote error: "} {
		text = strings.TrimPrefix(text, words)
	}
	if text == err.Error() {
		return err
	}
	return worded{err, text}
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
