// Package eximtest starts a real exim4 for tests: on a free loopback port, with a configuration, a spool and mailboxes of its own, to be
// stopped, frozen and killed at will. Only tests import it.
//
//	server := eximtest.Start(t, eximtest.Options{TLS: certificate, Key: key, User: "weighpost", Password: "open sesame"})
//	server.Messages(t) // as they were delivered, in the order in which the server took them
//
// It needs root, since exim gives up its rights when another starts it with a configuration of their own. Without it, or without exim4,
// the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
package eximtest
