// Package smb delivers entries to a folder of a Windows or Samba share, which it speaks to itself (SMB 2 and 3): nothing is
// mounted. What it writes and promises is said in package folder.
//
// What is sent is signed, and encrypted unless the configuration says otherwise; the sink itself looks at each packet before it
// leaves, so that a server that lets everybody in as a guest gets nothing. The user is known to the server by a password
// (NTLMv2). A distributed file system (DFS) is not followed: name the server that has the folder.
//
// A file is flushed, then renamed, and then flushed again by its name, which on the file systems that servers have also puts
// the name on the disk. SMB knows no rename that leaves a file alone that is there: the sink looks first, and no two sinks
// have names in common unless people give them the same.
package smb

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"
	"time"

	smb2 "github.com/cloudsoda/go-smb2"

	"weighpost/sinks"
	"weighpost/sinks/folder"
)

// New makes a sink. The server need not be there yet.
func New(c Config, id string, env sinks.Env) (*folder.Remote, error) {
	address, err := c.address()
	if err != nil {
		return nil, err
	}
	f, err := c.filing(id, env)
	if err != nil {
		return nil, err
	}
	return folder.NewRemote(f, address, func(ctx context.Context) (folder.FS, error) {
		far, err := c.dial(ctx, address)
		if err != nil {
			return nil, c.explain(err)
		}
		return far, nil
	}), nil
}

// share is a folder on a share, over one connection.
type share struct {
	session *smb2.Session
	mount   *smb2.Share
	folder  string
	limit   folder.Limit
	guard   *guarded
}

// dial signs in, and looks whether the folder is there.
func (c *Config) dial(ctx context.Context, address string) (*share, error) {
	var password []byte
	if !c.Guest {
		var err error
		if password, err = c.Password.Resolve(); err != nil {
			return nil, sinks.Unusable{Err: err}
		}
	}
	dialer := net.Dialer{Timeout: c.Timeout.D(), KeepAlive: 15 * time.Second}
	conn, err := dialer.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	g := &guarded{Conn: conn, signed: !c.Guest, encrypted: c.Encrypt}
	s := &share{folder: c.Path, guard: g, limit: folder.Limit{Each: c.Timeout.D(), Cut: func() { _ = g.Close() }}}
	if err := s.signIn(ctx, c, string(password), address); err != nil {
		_ = s.Close() // nothing was written
		return nil, errors.Join(g.refusal(), err)
	}
	return s, nil
}

func (s *share) signIn(ctx context.Context, c *Config, password, address string) error {
	d := &smb2.Dialer{
		Negotiator: smb2.Negotiator{RequireMessageSigning: !c.Guest},
		Initiator:  &smb2.NTLMInitiator{User: c.User, Password: password, Domain: c.Domain, Workstation: "WEIGHPOST"},
	}
	if c.Guest {
		d.Initiator = &smb2.NTLMInitiator{User: "guest", Workstation: "WEIGHPOST"}
	}
	err := s.limit.Do(ctx, func(ctx context.Context) (err error) {
		s.session, err = d.DialConn(ctx, s.guard, address)
		return err
	})
	if err != nil {
		return stage{"sign in", err}
	}
	err = s.limit.Do(ctx, func(ctx context.Context) (err error) {
		s.mount, err = s.session.WithContext(ctx).Mount(c.Share)
		return err
	})
	if err != nil {
		return stage{"mount", err}
	}
	info, err := s.Stat(ctx, ".")
	switch {
	case err != nil:
		return err
	case !info.IsDir():
		return sinks.Unusable{Err: fmt.Errorf("%s is a file, and should be a folder", c.where())}
	}
	return nil
}

// at gives the name on the share.
func (s *share) at(name string) string {
	if name == "." {
		name = ""
	}
	return strings.ReplaceAll(strings.Trim(s.folder+"/"+name, "/"), "/", `\`)
}

// do runs one call with the share bound to its context.
func (s *share) do(ctx context.Context, call func(*smb2.Share) error) error {
	return s.limit.Do(ctx, func(ctx context.Context) error { return call(s.mount.WithContext(ctx)) })
}

func (s *share) Stat(ctx context.Context, name string) (info fs.FileInfo, err error) {
	err = s.do(ctx, func(m *smb2.Share) error { info, err = m.Lstat(s.at(name)); return err })
	return info, err
}

func (s *share) Create(ctx context.Context, name string) (folder.File, error) {
	return s.open(ctx, name, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
}

func (s *share) Open(ctx context.Context, name string) (folder.File, error) {
	return s.open(ctx, name, os.O_RDONLY)
}

func (s *share) open(ctx context.Context, name string, flag int) (*file, error) {
	f := &file{share: s, ctx: ctx, read: flag == os.O_RDONLY}
	err := s.limit.Do(ctx, func(within context.Context) (err error) {
		// The file keeps the context of the whole work; the limit around each of its calls ends them earlier.
		f.file, err = s.mount.WithContext(ctx).OpenFile(s.at(name), flag, 0o644)
		return err
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Rename leaves a file that is there alone only where the caller looked first: the library always asks for replacing.
func (s *share) Rename(ctx context.Context, from, to string, replace bool) error {
	if !replace {
		if _, err := s.Stat(ctx, to); !errors.Is(err, fs.ErrNotExist) {
			return errors.Join(err, fs.ErrExist)
		}
	}
	return s.do(ctx, func(m *smb2.Share) error { return m.Rename(s.at(from), s.at(to)) })
}

func (s *share) Remove(ctx context.Context, name string) error {
	return s.do(ctx, func(m *smb2.Share) error { return m.Remove(s.at(name)) })
}

func (s *share) Mkdir(ctx context.Context, name string) error {
	err := s.do(ctx, func(m *smb2.Share) error { return m.Mkdir(s.at(name), 0o755) })
	if !errors.Is(err, fs.ErrExist) {
		return err
	}
	info, err := s.Stat(ctx, name)
	if err == nil && !info.IsDir() {
		return fmt.Errorf("%s %w", name, errInTheWay)
	}
	return err
}

func (s *share) Each(ctx context.Context, name string, f func(fs.FileInfo) error) error {
	var list []fs.FileInfo
	err := s.do(ctx, func(m *smb2.Share) (err error) { list, err = m.ReadDir(s.at(name)); return err })
	for _, info := range list {
		if err == nil {
			err = f(info)
		}
	}
	return err
}

// Settle flushes the files by their names. Only who may write can flush.
func (s *share) Settle(ctx context.Context, names []string) (int, error) {
	return folder.Flush(ctx, names, func(name string) (folder.File, error) { return s.open(ctx, name, os.O_WRONLY) })
}

// Close signs off if the server still answers, and lets go of the connection.
func (s *share) Close() error {
	if s.session != nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		stop := context.AfterFunc(ctx, s.limit.Cut)
		defer stop()
		_ = s.session.WithContext(ctx).Logoff() // it is the connection that counts
	}
	err := s.guard.Close()
	if errors.Is(err, net.ErrClosed) {
		return nil // Logoff closed it
	}
	return err
}

// file is an open file on a share.
type file struct {
	share *share
	ctx   context.Context
	file  *smb2.File
	read  bool
}

func (f *file) Read(p []byte) (n int, err error) {
	err = f.share.limit.Do(f.ctx, func(context.Context) error { n, err = f.file.Read(p); return err })
	return n, err
}

func (f *file) Write(p []byte) (n int, err error) {
	err = f.share.limit.Do(f.ctx, func(context.Context) error { n, err = f.file.Write(p); return err })
	return n, err
}

// Sync does nothing for a file that is read: Settle flushes it.
func (f *file) Sync() error {
	if f.read {
		return nil
	}
	return f.share.limit.Do(f.ctx, func(context.Context) error { return f.file.Sync() })
}

func (f *file) Close() error {
	return f.share.limit.Do(f.ctx, func(context.Context) error { return f.file.Close() })
}
