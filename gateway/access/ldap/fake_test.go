package ldap

import (
	"bufio"
	"net"
	"sync"
	"testing"

	ber "github.com/go-asn1-ber/asn1-ber"
	goldap "github.com/go-ldap/ldap/v3"
)

// fake is a directory that answers as a test wants: what no real one can be brought to do.
type fake struct {
	l       net.Listener
	answers func(c net.Conn, id int64, op *ber.Packet) bool // false: close the connection
	mu      sync.Mutex
	conns   map[net.Conn]bool
	asked   []string // filters
	wg      sync.WaitGroup
}

// fakeDirectory listens on loopback until the test ends.
func fakeDirectory(t testing.TB, answers func(c net.Conn, id int64, op *ber.Packet) bool) *fake {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &fake{l: l, answers: answers, conns: map[net.Conn]bool{}}
	f.wg.Add(1)
	go func() {
		defer f.wg.Done()
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			f.mu.Lock()
			f.conns[c] = true
			f.mu.Unlock()
			f.wg.Add(1)
			go f.serve(c)
		}
	}()
	t.Cleanup(func() {
		l.Close()
		f.mu.Lock()
		for c := range f.conns {
			c.Close()
		}
		f.mu.Unlock()
		f.wg.Wait()
	})
	return f
}

func (f *fake) url() string { return "ldap://" + f.l.Addr().String() }

func (f *fake) serve(c net.Conn) {
	defer f.wg.Done()
	defer c.Close()
	r := bufio.NewReader(c)
	for {
		p, err := ber.ReadPacket(r)
		if err != nil || len(p.Children) < 2 {
			return
		}
		id, _ := p.Children[0].Value.(int64)
		op := p.Children[1]
		if op.Tag == goldap.ApplicationSearchRequest && len(op.Children) > 6 {
			filter, _ := goldap.DecompileFilter(op.Children[6])
			f.mu.Lock()
			f.asked = append(f.asked, filter)
			f.mu.Unlock()
		}
		if !f.answers(c, id, op) {
			return
		}
	}
}

func (f *fake) filters() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.asked...)
}

// message is an LDAPMessage (RFC 4511 section 4.1.1).
func message(id int64, op *ber.Packet, controls ...*ber.Packet) []byte {
	p := ber.Encode(ber.ClassUniversal, ber.TypeConstructed, ber.TagSequence, nil, "")
	p.AppendChild(ber.NewInteger(ber.ClassUniversal, ber.TypePrimitive, ber.TagInteger, id, ""))
	p.AppendChild(op)
	if len(controls) > 0 {
		list := ber.Encode(ber.ClassContext, ber.TypeConstructed, 0, nil, "")
		for _, c := range controls {
			list.AppendChild(c)
		}
		p.AppendChild(list)
	}
	return p.Bytes()
}

// result is an LDAPResult (RFC 4511 section 4.1.9) with a text.
func result(tag ber.Tag, code int64, text string) *ber.Packet {
	p := ber.Encode(ber.ClassApplication, ber.TypeConstructed, tag, nil, "")
	p.AppendChild(ber.NewInteger(ber.ClassUniversal, ber.TypePrimitive, ber.TagEnumerated, code, ""))
	p.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, "", ""))
	p.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, text, ""))
	return p
}

// entryOf is a SearchResultEntry (RFC 4511 section 4.5.2).
func entryOf(dn string, attributes map[string][]string) *ber.Packet {
	p := ber.Encode(ber.ClassApplication, ber.TypeConstructed, goldap.ApplicationSearchResultEntry, nil, "")
	p.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, dn, ""))
	list := ber.Encode(ber.ClassUniversal, ber.TypeConstructed, ber.TagSequence, nil, "")
	for name, values := range attributes {
		one := ber.Encode(ber.ClassUniversal, ber.TypeConstructed, ber.TagSequence, nil, "")
		one.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, name, ""))
		set := ber.Encode(ber.ClassUniversal, ber.TypeConstructed, ber.TagSet, nil, "")
		for _, v := range values {
			set.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, v, ""))
		}
		one.AppendChild(set)
		list.AppendChild(one)
	}
	p.AppendChild(list)
	return p
}

func send(c net.Conn, b []byte) bool { _, err := c.Write(b); return err == nil }

// honest answers binds and searches as a directory with ada alone would: the test puts its own answer before it.
func honest(c net.Conn, id int64, op *ber.Packet) bool {
	switch op.Tag {
	case goldap.ApplicationBindRequest:
		return send(c, message(id, result(goldap.ApplicationBindResponse, 0, "")))
	case goldap.ApplicationSearchRequest:
		ada := entryOf("uid=ada,ou=people,dc=seed-bank,dc=example", map[string][]string{"entryUUID": {"7b6f"}, "uid": {"ada"}, "cn": {"Ada"}})
		base, _ := op.Children[0].Value.(string)
		return (base[:9] != "ou=people" || send(c, message(id, ada))) && send(c, message(id, result(goldap.ApplicationSearchResultDone, 0, "")))
	}
	return false
}

// policyControl is the answer of a password policy (draft-behera-ldap-password-policy-11 section 6.2); nil: without a value.
func policyControl(value []byte) *ber.Packet {
	p := ber.Encode(ber.ClassUniversal, ber.TypeConstructed, ber.TagSequence, nil, "")
	p.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, goldap.ControlTypeBeheraPasswordPolicy, ""))
	if value != nil {
		p.AppendChild(ber.NewString(ber.ClassUniversal, ber.TypePrimitive, ber.TagOctetString, string(value), ""))
	}
	return p
}
