package smb

import (
	"errors"
	"net"
	"os"
	"testing"

	smb2 "github.com/cloudsoda/go-smb2"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/smb/samba"
)

// BenchmarkDeliver: files on a share of a real smbd, signed, in batches of 64, against the library alone: each file is made beside its
// place, written, flushed, closed, renamed, and opened by its name to be flushed once more, one call after the other. The share is
// in memory, so that it is the calls that count.
func BenchmarkDeliver(b *testing.B) {
	server := samba.Start(b, "", "", "")
	line, err := net.Dial("tcp", server.Addr)
	if err != nil {
		b.Fatal(err)
	}
	defer line.Close()
	d := &smb2.Dialer{Negotiator: smb2.Negotiator{RequireMessageSigning: true}, Initiator: &smb2.NTLMInitiator{User: samba.User, Password: samba.Password}}
	session, err := d.DialConn(b.Context(), line, server.Addr)
	if err != nil {
		b.Fatal(err)
	}
	mount, err := session.Mount(samba.Share)
	if err != nil {
		b.Fatal(err)
	}
	if err := mount.Mkdir("bare", 0o755); err != nil {
		b.Fatal(err)
	}
	sinktest.Against(b, 64, open(b, configured(b, server.Addr, nil)), func(entries []record.Entry) error {
		for _, e := range entries {
			if err := bareFile(mount, `bare\`+format.SafeName(e.ID)+".json", e.JSON); err != nil {
				return err
			}
		}
		return nil
	})
	_ = session.Logoff()
}

func bareFile(mount *smb2.Share, name string, body []byte) error {
	const temp = `bare\temp.part`
	f, err := mount.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := mount.Rename(temp, name); err != nil {
		return err
	}
	if f, err = mount.OpenFile(name, os.O_WRONLY, 0); err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
