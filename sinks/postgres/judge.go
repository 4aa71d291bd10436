package postgres

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"

	"weighpost/sinks"
)

// meaning is what an error of the server means.
type meaning uint8

const (
	again    meaning = iota // it may pass by itself
	refused                 // this entry never
	unusable                // a person has to act
)

// meanings are those of the error codes (PostgreSQL, appendix A: SQLSTATE), by the whole code or by its first two characters, each with
// what to do about it where that is a person's. All others may pass by themselves.
var meanings = map[string]struct {
	meaning
	remedy string
}{
	"22": {refused, ""}, // data exceptions: too long, out of range, not of the type
	"23": {refused, ""}, // constraints
	"P0": {refused, ""}, // a trigger raised an exception
	"54": {refused, ""}, // program limits: a row or a key that is too large

	"28": {unusable, "check user and password of this sink, and pg_hba.conf of the server"},
	"3D": {unusable, "check database of this sink"},
	"3F": {unusable, "check the schema in table of this sink"},
	"42": {unusable, "check table of this sink and what its role may do"},
	"0A": {unusable, "the server cannot do what is needed: PostgreSQL 12 or later is"},

	"22P05": {refused, ""},
	"53100": {again, ""}, // disk full
	"53300": {again, ""}, // too many connections
	"25006": {again, ""}, // read-only: a standby, or a maintenance
	"57014": {again, ""}, // statement_timeout
	"55P03": {again, ""}, // a lock
}

// judge says what it means that something failed.
func judge(err error) error {
	var pg *pgconn.PgError
	var untrusted *tls.CertificateVerificationError
	var remote *net.OpError
	switch {
	case err == nil:
		return nil
	case errors.As(err, new(sinks.Refused)), errors.As(err, new(sinks.Unusable)):
		return err
	case errors.As(err, &pg):
		return judgeCode(pg)
	case errors.As(err, &untrusted):
		return sinks.Unusable{Err: fmt.Errorf("the server's certificate is not trusted: %w: check ca and server of this sink", untrusted)}
	case errors.As(err, &remote) && remote.Op == "remote error":
		return sinks.Unusable{Err: fmt.Errorf("the server refuses the secure connection, perhaps for the client certificate: %w", remote)}
	case strings.Contains(err.Error(), "server refused TLS connection"):
		return sinks.Unusable{Err: errors.New("the server does not speak TLS: have ssl = on set there")}
	}
	return fmt.Errorf("no answer from PostgreSQL: %w", err)
}

func judgeCode(pg *pgconn.PgError) error {
	err := fmt.Errorf("PostgreSQL says %.300q (%s)", pg.Message, pg.Code)
	if pg.ConstraintName != "" {
		err = fmt.Errorf("%w, constraint %.60q", err, pg.ConstraintName)
	}
	known, there := meanings[pg.Code]
	if !there && len(pg.Code) == 5 {
		known = meanings[pg.Code[:2]]
	}
	switch known.meaning {
	case refused:
		return sinks.Refused{Err: err}
	case unusable:
		return sinks.Unusable{Err: fmt.Errorf("%w: %s", err, known.remedy)}
	}
	return err
}
