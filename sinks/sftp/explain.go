package sftp

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"

	"github.com/pkg/sftp"

	"weighpost/sinks"
)

var errInTheWay = errors.New("is in the way and no folder")

// room is what a server says of its disk.
type room struct{ full, readOnly bool }

// failed is a failure that the server gives no reason for, and what its disk is like.
type failed struct {
	err  error
	room room
}

func (f failed) Error() string { return f.err.Error() }
func (f failed) Unwrap() error { return f.err }

// readOnlyFlag is ST_RDONLY of statvfs@openssh.com (PROTOCOL of OpenSSH, section 4.6).
const readOnlyFlag = 1

// failure looks at the disk: the protocol (version 3) has no word for a full one, nor for a read-only one.
func (s *server) failure(ctx context.Context, err error) error {
	if _, knows := s.sftp.HasExtension("statvfs@openssh.com"); !knows || ctx.Err() != nil {
		return err
	}
	var disk *sftp.StatVFS
	if verr := s.limit.Do(ctx, func(context.Context) (err error) { disk, err = s.sftp.StatVFS(s.folder); return err }); verr != nil {
		return err
	}
	return failed{err, room{full: disk.Bavail == 0 || disk.Files > 0 && disk.Favail == 0, readOnly: disk.Flag&readOnlyFlag != 0}}
}

// badMessage is what OpenSSH answers to a name that its file system does not take (sftp-server.c, errno_to_portable).
const badMessage = 5

// explain says in a sentence what the server or the network said, and whether that passes.
func (c *Config) explain(err error) error {
	var kind sinks.Unusable
	if errors.As(err, &kind) {
		return kind
	}
	var wrong wrongKey
	var status *sftp.StatusError
	var f failed
	isStatus := errors.As(err, &status)
	text := ""
	switch {
	case errors.As(err, &wrong):
		return sinks.Unusable{Err: fmt.Errorf("%s: the server %w", c.where(), wrong)}
	case strings.Contains(err.Error(), "unable to authenticate"):
		return sinks.Unusable{Err: fmt.Errorf("%s: the server turns the user %s away: correct the user, and the key or the password (%w)", c.where(), c.User, err)}
	case strings.Contains(err.Error(), "no common algorithm"):
		return sinks.Unusable{Err: fmt.Errorf("%s: the server has no key of a type that host_keys names, or only methods that are no longer safe (%w)", c.where(), err)}
	case errors.Is(err, errInTheWay):
		return sinks.Unusable{Err: fmt.Errorf("%s has something in the way: %w", c.where(), err)}
	case isStatus && status.Code == badMessage:
		return sinks.Refused{Err: fmt.Errorf("%s does not take this name: %w", c.where(), err)}
	case errors.As(err, &f) && f.room.readOnly:
		text = "is read-only: allow writing"
	case errors.As(err, &f) && f.room.full:
		text = "has no room left: make some"
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		text = "does not answer"
	case isDial(err):
		text = "cannot be reached"
	case errors.Is(err, fs.ErrNotExist):
		text = "is not there: create it"
	case errors.Is(err, fs.ErrPermission):
		text = "may not be written: give the user the right to"
	case isStatus && status.FxCode() == sftp.ErrSSHFxFailure:
		text = "cannot be written, and the server does not say why: it may be full, read-only or over quota"
	default:
		return fmt.Errorf("%s: %w", c.where(), err)
	}
	return fmt.Errorf("%s %s (%w)", c.where(), text, err)
}

func isDial(err error) bool {
	var op *net.OpError
	return errors.As(err, &op) && op.Op == "dial"
}
