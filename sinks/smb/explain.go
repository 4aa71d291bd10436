package smb

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"syscall"

	smb2 "github.com/cloudsoda/go-smb2"

	"weighpost/sinks"
)

// stage is an error of a step before the first file.
type stage struct {
	what string // "sign in", "mount"
	err  error
}

func (s stage) Error() string { return s.what + ": " + s.err.Error() }
func (s stage) Unwrap() error { return s.err }

var errInTheWay = errors.New("is in the way and no folder")

// verdict is what an answer of a server means.
type verdict int

const (
	again verdict = iota
	unusable
	refused
)

type meaning struct {
	verdict verdict
	words   string // after the name of the share
}

// answers are the statuses that a server says why with (MS-ERREF section 2.3.1). Any other is tried again.
var answers = map[uint32]meaning{
	0xC000006D: {unusable, "turns the user away: user or password is wrong"},
	0xC000006A: {unusable, "turns the user away: the password is wrong"},
	0xC0000064: {unusable, "does not know the user"},
	0xC000006E: {unusable, "turns the user away: the account is restricted"},
	0xC000006F: {unusable, "turns the user away at this hour"},
	0xC0000070: {unusable, "turns the user away from this computer"},
	0xC0000071: {unusable, "turns the user away: the password has expired"},
	0xC0000072: {unusable, "turns the user away: the account is disabled"},
	0xC0000193: {unusable, "turns the user away: the account has expired"},
	0xC0000224: {unusable, "turns the user away: the password must be changed first"},
	0xC0000234: {unusable, "turns the user away: the account is locked after too many tries"},
	0xC000015B: {unusable, "turns the user away: the account may not sign in over the network"},
	0xC0000418: {unusable, "turns the user away: it does not take NTLM, and weighpost knows no other way to sign in"},
	0xC00000CC: {unusable, "is not there: there is no share of this name"},
	0xC0000257: {unusable, "is one of a distributed file system: name the server that has the folder"},
	0xC0000103: {unusable, "has something in the way that is no folder"},
	0xC00000BA: {unusable, "has a folder in the place of a file"},
	0xC0000033: {refused, "does not take this name"},
	0xC0000106: {refused, "does not take a name this long"},
	0xC000003B: {refused, "does not take this name"},
	0xC000007F: {again, "has no room left: make some"},
	0xC0000044: {again, "has no room left for this user: raise the quota"},
	0xC00000A2: {again, "is read-only: allow writing"},
	0xC0000043: {again, "holds a file that another program has open"},
	0xC0000054: {again, "holds a file that another program has locked"},
	0xC0000055: {again, "holds a file that another program has locked"},
	0xC0000056: {again, "holds a file that is about to be deleted"},
	0xC0000203: {again, "has ended the session"},
	0xC000035C: {again, "has ended the session"},
	0xC00000C9: {again, "is no longer shared"},
	0xC00000D0: {again, "takes no more connections for now"},
}

// explain says in a sentence what the server or the network said, and whether that passes.
func (c *Config) explain(err error) error {
	var kind sinks.Unusable
	if errors.As(err, &kind) {
		return kind
	}
	var in stage
	var answer *smb2.ResponseError
	var m meaning
	switch {
	case errors.As(err, &answer) && answers[answer.Code].words != "":
		m = answers[answer.Code]
	case errors.As(err, &in) && errors.Is(err, fs.ErrPermission):
		m = meaning{unusable, "is not for this user: give the user the right to it"}
	case errors.Is(err, errInTheWay):
		m = meaning{unusable, "has something in the way"}
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		m.words = "does not answer"
	case errors.Is(err, syscall.ECONNREFUSED), isDial(err):
		m.words = "cannot be reached"
	case errors.Is(err, fs.ErrNotExist):
		m.words = "has no such folder: create it"
	case errors.Is(err, fs.ErrPermission):
		m.words = "may not be written, or holds a file that another program has open: give the user the right to write"
	default:
		return fmt.Errorf("%s: %w", c.where(), err)
	}
	err = fmt.Errorf("%s %s (%w)", c.where(), m.words, err)
	switch m.verdict {
	case unusable:
		return sinks.Unusable{Err: err}
	case refused:
		return sinks.Refused{Err: err}
	}
	return err
}

func isDial(err error) bool {
	var op *net.OpError
	return errors.As(err, &op) && op.Op == "dial"
}
