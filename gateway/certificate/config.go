package certificate

import (
	"path/filepath"

	"weighpost/parsers/strict"
)

// Config says where the certificate comes from. The zero value: there is none, and the page speaks plain HTTP.
type Config struct {
	Certificate string `yaml:"certificate" desc:"PEM file of the page's certificate, with those that vouch for it after it; taken anew when it changes. A relative path starts at the folder of this file."`
	Key         string `yaml:"key" desc:"PEM file of the certificate's private key, not encrypted; only weighpost's user, or a group, may read it."`
	SelfMade    bool   `yaml:"self_made" desc:"Make a certificate and its key in the journal's folder, and renew it ahead; browsers have to be told its fingerprint (weighpost certificate)." default:"false"`
}

// On says whether there is a certificate.
func (c Config) On() bool { return c != Config{} }

// Check adds every fault that it sees to r. It looks at no file: those may come later.
func (c Config) Check(r *strict.Report) {
	const allowed = "certificate and key, or self_made: true"
	switch {
	case r.Written() && !c.On():
		r.Fault("names no certificate", allowed)
	case c.SelfMade && (c.Certificate != "" || c.Key != ""):
		r.At("self_made").Fault("is given beside certificate and key: the page shows one certificate", allowed)
	case (c.Certificate == "") != (c.Key == ""):
		r.At("certificate").Fault("certificate and key go together", allowed)
	}
}

// Names of the files in the journal's folder.
const (
	servedName = "page-certificate.pem" // what the page shows, whatever it comes from: the pin of clients on this computer
	keyName    = "page-key.pem"         // the key of a self-made one
)

// ServedFile is where the certificate is kept that the page shows, for clients on this computer.
func ServedFile(folder string) string { return filepath.Join(folder, servedName) }
