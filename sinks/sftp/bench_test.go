package sftp

import (
	"errors"
	"os"
	"path"
	"testing"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
	"weighpost/sinks/sftp/sshd"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: files in a folder of a real sshd in batches of 64, against the library alone: each file is made beside its place,
// written, flushed, closed, renamed, and opened by its name to be flushed once more, one call after the other. The folder is in
// memory, so that it is the calls that count.
func BenchmarkDeliver(b *testing.B) {
	server := sshd.Start(b, "", "")
	key, err := os.ReadFile(server.Key)
	if err != nil {
		b.Fatal(err)
	}
	signer, err := ssh.ParsePrivateKey(key)
	if err != nil {
		b.Fatal(err)
	}
	through, err := ssh.Dial("tcp", server.Addr, &ssh.ClientConfig{User: server.User, Auth: []ssh.AuthMethod{ssh.PublicKeys(signer)},
		HostKeyCallback: ssh.InsecureIgnoreHostKey()}) // a server of this test, on loopback
	if err != nil {
		b.Fatal(err)
	}
	defer through.Close()
	client, err := sftp.NewClient(through)
	if err != nil {
		b.Fatal(err)
	}
	defer client.Close()
	dir := path.Join(server.Dir, "bare")
	if err := client.Mkdir(dir); err != nil {
		b.Fatal(err)
	}
	sinktest.Against(b, 64, open(b, configured(b, server, server.Addr, nil)), func(entries []record.Entry) error {
		for _, e := range entries {
			if err := bareFile(client, dir, format.SafeName(e.ID)+".json", e.JSON); err != nil {
				return err
			}
		}
		return nil
	})
}

func bareFile(client *sftp.Client, dir, name string, body []byte) error {
	temp := path.Join(dir, "temp.part")
	f, err := client.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := client.Rename(temp, path.Join(dir, name)); err != nil {
		return err
	}
	if f, err = client.OpenFile(path.Join(dir, name), os.O_RDONLY); err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
