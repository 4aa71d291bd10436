package nats

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/sinks"
)

// Codes of the servers' answers, as of the errors.json of nats-server, where the library has no name for them.
const (
	codeInsufficientResources jetstream.ErrorCode = 10023 // not enough servers, disks or memory now
	codeMaximumStreams        jetstream.ErrorCode = 10027 // the account may have no further stream
	codeResourcesExceeded     jetstream.ErrorCode = 10047 // the account's or the server's storage is full
	codeWrongStream           jetstream.ErrorCode = 10060 // the subject is caught by another stream
	codeSubjectOverlap        jetstream.ErrorCode = 10065 // another stream takes the subjects in
	codeWrongLastID           jetstream.ErrorCode = 10070 // not behind the message that went before
	codeReplicasAlone         jetstream.ErrorCode = 10074 // replicas > 1 on a server without a cluster
	codeStoreFailed           jetstream.ErrorCode = 10077 // the stream is at its limits, or its disk fails
	codeSealed                jetstream.ErrorCode = 10109 // the stream is sealed
	codeHeaderTooLarge        jetstream.ErrorCode = 10097 // headers of more than 64 KiB
)

// meaning is what an answer of a stream or its servers means.
type meaning uint8

const (
	again    meaning = iota // it may pass by itself
	refused                 // this entry never
	unusable                // a person has to act
)

// meanings are those of the answers that are known, each with what to do about it where that is a person's. Of others, those of the
// class 4xx are a person's, and those of the class 5xx may pass.
var meanings = map[jetstream.ErrorCode]struct {
	meaning
	remedy string
}{
	jetstream.JSErrCodeStreamMessageExceedsMaximum: {refused, ""},
	codeHeaderTooLarge:                     {refused, ""},
	codeInsufficientResources:              {again, ""},
	codeResourcesExceeded:                  {again, ""},
	codeStoreFailed:                        {again, ""},
	codeWrongLastID:                        {again, ""},
	jetstream.JSErrCodeStreamNotFound:      {unusable, "have the stream made, or set create: true"},
	codeMaximumStreams:                     {unusable, "ask the servers' keeper for a stream"},
	codeWrongStream:                        {unusable, "another stream takes this subject in: check stream and subject_prefix of this sink"},
	codeSubjectOverlap:                     {unusable, "another stream takes these subjects in: use it, or other subjects"},
	codeReplicasAlone:                      {unusable, "set replicas: 1, or use a cluster"},
	codeSealed:                             {unusable, "name a stream that is not sealed"},
	jetstream.JSErrCodeJetStreamNotEnabled: {unusable, "have JetStream enabled on the servers"},
	jetstream.JSErrCodeJetStreamNotEnabledForAccount: {unusable, "have JetStream enabled for this account"},
}

// overtaken says that the stream got another message behind the one that went before, or has lost count of ids.
func overtaken(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == codeWrongLastID
}

// judge says what it means that a message was not acknowledged.
func (l *link) judge(err error) error {
	var api *jetstream.APIError
	switch {
	case err == nil:
		return nil
	case errors.As(err, new(sinks.Unusable)):
		return err
	case errors.Is(err, nats.ErrMaxPayload):
		return sinks.Refused{Err: fmt.Errorf("the servers take messages of at most %d bytes, and the entry has more: ask their keeper for a larger max_payload",
			l.conn.MaxPayload())}
	case errors.Is(err, jetstream.ErrNoStreamResponse):
		return fmt.Errorf("nobody keeps the subject at the moment: the stream %s has no leader, or was removed", l.stream)
	case errors.Is(err, errForeign):
		return sinks.Unusable{Err: fmt.Errorf("%w: something other than the stream %s answers under this subject", err, l.stream)}
	case errors.As(err, &api):
		return judgeAnswer(api, "the stream "+l.stream+" does not take the entry")
	}
	if denied := l.violated(); denied != nil {
		return denied
	}
	return err
}

// judgeAnswer says what an answer of the servers means.
func judgeAnswer(api *jetstream.APIError, what string) error {
	err := fmt.Errorf("%s: %.200q (%d)", what, api.Description, api.ErrorCode)
	known, there := meanings[api.ErrorCode]
	switch {
	case there && known.meaning == refused:
		return sinks.Refused{Err: err}
	case there && known.meaning == unusable:
		return sinks.Unusable{Err: fmt.Errorf("%w: %s", err, known.remedy)}
	case !there && api.Code >= 400 && api.Code < 500:
		return sinks.Unusable{Err: err}
	}
	return err
}

// judgeStream says what it means that the stream could not be looked at or made.
func (l *link) judgeStream(err error, what string) error {
	var api *jetstream.APIError
	switch {
	case errors.Is(err, nats.ErrNoResponders):
		return fmt.Errorf("%s: no server with JetStream answers", what)
	case errors.As(err, &api):
		return judgeAnswer(api, what)
	}
	if denied := l.violated(); denied != nil {
		return denied
	}
	if !l.alive() {
		return fmt.Errorf("%s: %w", what, errLost)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%s: no answer in time; the cluster may have no leader", what)
	}
	return fmt.Errorf("%s: %w", what, err)
}

// denied is for what this account may not do.
func denied(err error) error {
	return sinks.Unusable{Err: fmt.Errorf("%w. This account needs to publish below subject_prefix and $JS.API.STREAM.INFO of the stream, "+
		"and to subscribe to _INBOX.>", err)}
}

// judgeConnect says what it means that no connection could be made.
func judgeConnect(err error) error {
	var untrusted *tls.CertificateVerificationError
	var unknown x509.UnknownAuthorityError
	var remote *net.OpError
	switch {
	case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthExpired), errors.Is(err, nats.ErrAuthRevoked):
		return sinks.Unusable{Err: fmt.Errorf("%w: check username and password, nkey or credentials of this sink", err)}
	case errors.Is(err, nats.ErrNkeysNotSupported):
		return sinks.Unusable{Err: fmt.Errorf("%w: check nkey or credentials of this sink", err)}
	case errors.Is(err, nats.ErrSecureConnWanted):
		return sinks.Unusable{Err: errors.New("the server does not speak TLS: have TLS set up there, or write nats:// in servers")}
	case errors.As(err, &untrusted), errors.As(err, &unknown):
		return sinks.Unusable{Err: fmt.Errorf("the server's certificate is not trusted: %w: check ca of this sink", err)}
	case errors.As(err, &remote) && remote.Op == "remote error":
		return sinks.Unusable{Err: fmt.Errorf("the server refuses the secure connection, perhaps for the client certificate: %w", err)}
	case errors.Is(err, nats.ErrNoServers):
		return errors.New("no NATS server answers at the addresses in servers")
	}
	return fmt.Errorf("no connection to a NATS server: %w", err)
}
