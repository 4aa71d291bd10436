// Package sftp delivers entries to a folder of a server that speaks SFTP over SSH: nothing is mounted. What it writes and
// promises is said in package folder.
//
// The server shows one of the keys that the configuration names, or nothing is said to it. Where the server knows
// fsync@openssh.com (OpenSSH does since 6.5), a file is flushed, renamed, and flushed again by its name, which on the file
// systems that servers have also puts the name on the disk; elsewhere a file is as durable as the server makes it when it is
// closed. A file gets its name by the plain rename of the protocol, which leaves a file alone that is there. Only checkpoints
// replace what is there: by posix-rename@openssh.com, or, where the server does not know that, by removing the old one first.
package sftp

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path"
	"time"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

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
	f.Explain = c.explain
	return folder.NewRemote(f, address, func(ctx context.Context) (folder.FS, error) {
		s, err := c.dial(ctx, address)
		if err != nil {
			return nil, c.explain(err)
		}
		return s, nil
	}), nil
}

// server is a folder on a server, over one connection.
type server struct {
	conn   net.Conn
	ssh    *ssh.Client
	sftp   *sftp.Client
	folder string
	limit  folder.Limit
	fsync  bool // the server flushes files
	posix  bool // the server replaces files in one step
}

// dial signs in, and looks whether the folder is there.
func (c *Config) dial(ctx context.Context, address string) (*server, error) {
	auth, err := c.auth()
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	conn, client, err := c.connect(ctx, address, auth)
	if err != nil {
		return nil, err
	}
	s := &server{conn: conn, ssh: client, folder: c.Path}
	s.limit = folder.Limit{Each: c.Timeout.D(), Cut: func() { _ = conn.Close() }}
	if err := s.begin(ctx, c); err != nil {
		_ = s.Close() // nothing was written
		return nil, err
	}
	return s, nil
}

func (s *server) begin(ctx context.Context, c *Config) error {
	err := s.limit.Do(ctx, func(context.Context) (err error) {
		s.sftp, err = sftp.NewClient(s.ssh, sftp.UseConcurrentWrites(true))
		return err
	})
	if err != nil {
		return fmt.Errorf("the server signs the user in and then offers no SFTP: %w", err)
	}
	_, s.fsync = s.sftp.HasExtension("fsync@openssh.com")
	_, s.posix = s.sftp.HasExtension("posix-rename@openssh.com")
	var info fs.FileInfo
	err = s.limit.Do(ctx, func(context.Context) (err error) { info, err = s.sftp.Stat(s.folder); return err })
	switch {
	case err != nil:
		return err
	case !info.IsDir():
		return sinks.Unusable{Err: fmt.Errorf("%s is a file, and should be a folder", c.where())}
	}
	return nil
}

func (s *server) at(name string) string { return path.Join(s.folder, name) }

// do runs one call. A server that says no more than that it failed is asked whether there is room.
func (s *server) do(ctx context.Context, call func() error) error {
	err := s.limit.Do(ctx, func(context.Context) error { return call() })
	var status *sftp.StatusError
	if errors.As(err, &status) && status.FxCode() == sftp.ErrSSHFxFailure {
		return s.failure(ctx, err)
	}
	return err
}

func (s *server) Stat(ctx context.Context, name string) (info fs.FileInfo, err error) {
	err = s.limit.Do(ctx, func(context.Context) (err error) { info, err = s.sftp.Lstat(s.at(name)); return err })
	return info, err
}

func (s *server) Create(ctx context.Context, name string) (folder.File, error) {
	f, err := s.open(ctx, name, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
	if err == nil {
		return f, nil
	}
	if _, serr := s.Stat(ctx, name); serr == nil {
		return nil, errors.Join(err, fs.ErrExist)
	}
	return nil, err
}

func (s *server) Open(ctx context.Context, name string) (folder.File, error) {
	return s.open(ctx, name, os.O_RDONLY)
}

func (s *server) open(ctx context.Context, name string, flag int) (*file, error) {
	f := &file{server: s, ctx: ctx, read: flag == os.O_RDONLY}
	if err := s.do(ctx, func() (err error) { f.file, err = s.sftp.OpenFile(s.at(name), flag); return err }); err != nil {
		return nil, err
	}
	return f, nil
}

func (s *server) Rename(ctx context.Context, from, to string, replace bool) error {
	if replace && s.posix {
		return s.do(ctx, func() error { return s.sftp.PosixRename(s.at(from), s.at(to)) })
	}
	if replace {
		if err := s.Remove(ctx, to); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	err := s.do(ctx, func() error { return s.sftp.Rename(s.at(from), s.at(to)) })
	if err == nil || ctx.Err() != nil {
		return err
	}
	if _, serr := s.Stat(ctx, to); serr == nil { // the protocol has no word for it
		return errors.Join(err, fs.ErrExist)
	}
	return err
}

// Remove removes a file, and looks first: the library would remove an empty folder as well.
func (s *server) Remove(ctx context.Context, name string) error {
	info, err := s.Stat(ctx, name)
	if err != nil {
		return err
	}
	if info.IsDir() {
		return fmt.Errorf("%s is a folder", name)
	}
	return s.do(ctx, func() error { return s.sftp.Remove(s.at(name)) })
}

func (s *server) Mkdir(ctx context.Context, name string) error {
	err := s.do(ctx, func() error { return s.sftp.Mkdir(s.at(name)) })
	if err == nil || ctx.Err() != nil {
		return err
	}
	var info fs.FileInfo
	serr := s.limit.Do(ctx, func(context.Context) (err error) { info, err = s.sftp.Stat(s.at(name)); return err })
	switch {
	case serr != nil:
		return err
	case !info.IsDir():
		return fmt.Errorf("%s %w", name, errInTheWay)
	}
	return nil
}

func (s *server) Each(ctx context.Context, name string, f func(fs.FileInfo) error) error {
	var list []fs.FileInfo
	err := s.limit.Do(ctx, func(ctx context.Context) (err error) { list, err = s.sftp.ReadDirContext(ctx, s.at(name)); return err })
	for _, info := range list {
		if err == nil {
			err = f(info)
		}
	}
	return err
}

// Settle flushes the files by their names, where the server does such things.
func (s *server) Settle(ctx context.Context, names []string) (int, error) {
	if !s.fsync {
		return len(names), nil
	}
	return folder.Flush(ctx, names, func(name string) (folder.File, error) { return s.open(ctx, name, os.O_WRONLY) })
}

// Close lets go of the connection. The server's answer is not waited for: all that counts is flushed.
func (s *server) Close() error {
	_ = s.conn.SetDeadline(time.Now().Add(time.Second))
	if s.sftp != nil {
		_ = s.sftp.Close() // the connection ends all
	}
	_ = s.ssh.Close()
	if err := s.conn.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}

// file is an open file on a server.
type file struct {
	server *server
	ctx    context.Context
	file   *sftp.File
	read   bool
}

func (f *file) Read(p []byte) (n int, err error) {
	err = f.server.limit.Do(f.ctx, func(context.Context) error { n, err = f.file.Read(p); return err })
	return n, err
}

func (f *file) Write(p []byte) (n int, err error) {
	err = f.server.do(f.ctx, func() error { n, err = f.file.Write(p); return err })
	return n, err
}

// Sync does nothing for a file that is read, which Settle flushes, and where the server does not flush.
func (f *file) Sync() error {
	if f.read || !f.server.fsync {
		return nil
	}
	return f.server.do(f.ctx, f.file.Sync)
}

func (f *file) Close() error { return f.server.do(f.ctx, f.file.Close) }
