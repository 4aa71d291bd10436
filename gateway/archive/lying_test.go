package archive

import (
	"bytes"
	"strings"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"

	"weighpost/gateway/record"
)

// begun is a gateway of which 20 entries are co-signed.
func begun(t *testing.T, p *place, known bool) (*gateway, *Reader, *Config) {
	t.Helper()
	g, r, cfg, _ := begin(t, p, known)
	return g, r, cfg
}

// begin is begun for whoever ends the instance.
func begin(t *testing.T, p *place, known bool) (g *gateway, r *Reader, cfg *Config, stop func()) {
	t.Helper()
	g = newGateway(t, "north-lab", "7qx3a").connect(t, p.urls, p.name, p.replicas)
	others := []*gateway{newGateway(t, "far-lab", "aaaaa")}
	if known {
		others = append(others, g)
	}
	cfg = p.config(t, others...)
	stop = instance(t, cfg)
	ctx := within(t, time.Minute)
	g.deliver(ctx, t, g.weigh(t, 20))
	g.head(ctx, t, g.checkpoint(t, 20))
	r = p.reader(t, cfg)
	if known {
		until(t, r, originOf(g.site, g.incarnation), 20*time.Second, "20 entries are co-signed", cosignedTo(20))
	}
	return g, r, cfg, stop
}

// gapsWait: entries 21 to 23 and the last one do not come at first. The archive says which are missing, and goes on once they are there.
func gapsWait(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	g.weigh(t, 10)
	g.deliver(ctx, t, g.entries[23:29])
	g.head(ctx, t, g.checkpoint(t, 30))
	says := func(sentence string) func(Gateway) bool {
		return func(s Gateway) bool { return s.State == StateWaiting && len(s.Wrong) > 0 && s.Wrong[0] == sentence }
	}
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the gap is told", says("entries 21 to 23 have not come"))
	if len(at.Wrong) != 2 || !strings.Contains(at.Wrong[1], "entries: [all]") {
		t.Errorf("a sink that leaves kinds of entry out is not suspected: %q", at.Wrong)
	}
	g.deliver(ctx, t, g.entries[20:23])
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the missing end is told", says("entry 30 has not come, and a checkpoint of the gateway has it"))
	g.deliver(ctx, t, g.entries[29:])
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "all is co-signed", cosignedTo(30))
}

// anAlteredJournalIsFound: the lying gateway. Entry 7 is altered after it was delivered, the journal is built anew over it, and signed with the
// gateway's own key. Its next checkpoint does not follow from what it published, whether or not it publishes the altered entry again.
func anAlteredJournalIsFound(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	told := g.entries[6]
	lie := bytes.Replace(told.JSON, []byte(`"digits":"17.007"`), []byte(`"digits":"17.070"`), 1)
	if bytes.Equal(lie, told.JSON) {
		t.Fatalf("nothing was altered: %s", told.JSON)
	}
	e, err := record.ParseEntry(lie)
	if err != nil {
		t.Fatal(err)
	}
	g.entries[6] = e
	g.deliver(ctx, t, g.weigh(t, 5))
	g.head(ctx, t, g.checkpoint(t, 25))
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the lie is found", disputed("an entry was altered, put in or taken out after it was delivered"))
	if at.Held != 25 || at.Cosigned != 20 {
		t.Errorf("%+v", at)
	}
	// What comes later, true or not, is kept and not co-signed.
	g.deliver(ctx, t, g.weigh(t, 5))
	g.entries[6] = told
	g.head(ctx, t, g.checkpoint(t, 30))
	at = until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the rest is kept", func(s Gateway) bool { return s.Verified == 30 })
	if at.State != StateDispute || at.Cosigned != 20 {
		t.Errorf("%+v", at)
	}
	stored, err := r.Entry(ctx, told.ID)
	if err != nil || !bytes.Equal(stored.JSON, told.JSON) || stored.Digits != "17.007" {
		t.Errorf("%v: %s", err, stored.JSON)
	}
	odd, err := r.Oddities(ctx, "north-lab")
	if err != nil || len(odd) != 1 || !bytes.Contains(odd[0].Bytes, []byte("\n25\n")) {
		t.Errorf("%v: the checkpoint that does not fit is not kept: %+v", err, odd)
	}
	t.Logf("found: %s", at.Wrong)
}

// aSecondEntryUnderOneID: other bytes under an id that is there never replace the first. Both are kept.
func aSecondEntryUnderOneID(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	told := g.entries[6]
	lie := bytes.Replace(told.JSON, []byte("17.007"), []byte("17.070"), 1)
	p.raw(t, p.name+".north-lab.b-2.weighing", lie)
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the contradiction is found", disputed("a second time with other bytes"))
	stored, err := r.Entry(ctx, told.ID)
	if err != nil || !bytes.Equal(stored.JSON, told.JSON) {
		t.Errorf("%v: %s", err, stored.JSON)
	}
	odd, err := r.Oddities(ctx, "north-lab")
	if err != nil || len(odd) != 1 || !bytes.Equal(odd[0].Bytes, lie) {
		t.Errorf("%v: %+v", err, odd)
	}
	// Another id at a place that is taken.
	moved := bytes.Replace(told.JSON, []byte(told.ID), []byte("north-lab/7qx3a/b-2/000099"), 1)
	p.raw(t, p.name+".north-lab.b-2.weighing", moved)
	for end := time.Now().Add(20 * time.Second); len(odd) < 2 && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if odd, err = r.Oddities(ctx, "north-lab"); err != nil {
			t.Fatal(err)
		}
	}
	if len(odd) != 2 {
		t.Errorf("an entry at a place that is taken is not kept as evidence: %+v", odd)
	}
	t.Logf("found: %s", at.Wrong)
}

// raw publishes a message as somebody does who has the rights of a gateway and no sink.
func (p *place) raw(t testing.TB, subject string, body []byte) {
	t.Helper()
	conn, err := natsgo.Connect(p.urls[0])
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.Publish(subject, body); err != nil {
		t.Fatal(err)
	}
	if err := conn.Flush(); err != nil {
		t.Fatal(err)
	}
}

// aJournalThatWasSetBack: the disk of the gateway was put back to an earlier state, and goes on from there.
func aJournalThatWasSetBack(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	g.head(ctx, t, g.checkpoint(t, 12))
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the set-back is found", disputed("a checkpoint of 12 entries after one of 20"))
	if at.Verified != 20 || at.Cosigned != 20 {
		t.Errorf("%+v", at)
	}
	// And then another entry 13, which is a contradiction of its own.
	g.entries, g.numbers["b-2"] = g.entries[:12], g.numbers["b-2"]+7
	g.deliver(ctx, t, g.weigh(t, 1))
	t.Logf("found: %s", at.Wrong)
}

// keysThatAreNotKnown: a gateway without a key is kept and not verified until there is one; a checkpoint by another key is a dispute.
func keysThatAreNotKnown(t *testing.T, p *place) {
	g, r, _, stop := begin(t, p, false)
	ctx := within(t, time.Minute)
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "no key is told", func(s Gateway) bool { return s.State == StateNoKey })
	if at.Held != 20 || at.Verified != 0 || at.Cosigned != 0 {
		t.Errorf("%+v", at)
	}
	// Somebody says whose it is: the next start, with its key, verifies what waited.
	stop()
	instance(t, p.config(t, g))
	until(t, r, "weighpost/north-lab/7qx3a", 30*time.Second, "what waited is co-signed", cosignedTo(20))
	// A thief signs in its name.
	thief := newGateway(t, "north-lab", "7qx3a").connect(t, p.urls, p.name, p.replicas)
	thief.entries, thief.numbers = g.entries, g.numbers
	thief.weigh(t, 1)
	thief.deliver(ctx, t, thief.entries[20:])
	thief.head(ctx, t, thief.checkpoint(t, 21))
	at = until(t, r, "weighpost/north-lab/7qx3a", 30*time.Second, "the other key is found", disputed("is not signed by a key that is configured"))
	if at.Cosigned != 20 {
		t.Errorf("%+v", at)
	}
	t.Logf("found: %s", at.Wrong)
}

// messagesThatAreNoEntries are kept as evidence and hold up nothing; nobody speaks for another site.
func messagesThatAreNoEntries(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	other := newGateway(t, "south-lab", "bbbbb")
	foreign := other.weighing(t)
	for subject, body := range map[string][]byte{
		".north-lab.b-1.weighing":   []byte("17.3 g"),
		".north-lab.b-2.weighing":   foreign.JSON,
		".north-lab.checkpoint":     other.checkpoint(t, 1),
		".north-lab.b-3.weighing":   bytes.Replace(foreign.JSON, []byte("south-lab/bbbbb"), []byte("north-lab/../x"), 1),
		".north-lab.a.b.c.d":        []byte("{}"),
		".north-lab.@.checkpoint":   nil,
		".north-lab.b-4.weighing":   bytes.Repeat([]byte("x"), 1000),
		".north-lab.b-5.weighing":   []byte("{\"schema\":\"weighpost.weighing/1\",\"id\":\"north-lab/7qx3a/b-5/000001\",\"seq\":9999999999999999999}"),
		".north-lab.b-6.unread":     []byte("\x00\xff"),
		".elsewhere.b-1.weighing":   foreign.JSON,
		".elsewhere.b-2.checkpoint": []byte("x"),
	} {
		p.raw(t, p.name+subject, body)
	}
	g.deliver(ctx, t, g.weigh(t, 3))
	g.head(ctx, t, g.checkpoint(t, 23))
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the gateway goes on", cosignedTo(23))
	if at.State != StateVerified {
		t.Errorf("%+v", at)
	}
	odd, err := r.Oddities(ctx, "")
	if err != nil || len(odd) != 11 {
		t.Errorf("%v: %d messages are kept as evidence", err, len(odd))
	}
	if list, err := r.Gateways(ctx); err != nil || len(list) != 1 {
		t.Errorf("%v: %+v", err, list)
	}
}

// disputesAreSettledByPeople: with a name and a reason; the evidence stays, and what is wrong again is a dispute again.
func disputesAreSettledByPeople(t *testing.T, p *place) {
	g, r, cfg := begun(t, p, true)
	ctx := within(t, time.Minute)
	p.raw(t, p.name+".north-lab.b-2.weighing", bytes.Replace(g.entries[6].JSON, []byte("17.007"), []byte("17.070"), 1))
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the contradiction is found", disputed("a second time"))
	g.deliver(ctx, t, g.weigh(t, 5))
	g.head(ctx, t, g.checkpoint(t, 25))
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "it is verified", func(s Gateway) bool { return s.Verified == 25 && s.Cosigned == 20 })
	if err := Settle(ctx, cfg, "weighpost/north-lab/7qx3a", "mbe", ""); err == nil {
		t.Error("a dispute is settled without a reason")
	}
	if err := Settle(ctx, cfg, "weighpost/south-lab/7qx3a", "mbe", "tried out"); err == nil {
		t.Error("a dispute is settled that is none")
	}
	if err := Settle(ctx, cfg, "weighpost/north-lab/7qx3a", "mbe", "a technician tried out the broker by hand"); err != nil {
		t.Fatal(err)
	}
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "it is co-signed again", cosignedTo(25))
	if at.Evidence != 1 || at.State != StateVerified {
		t.Errorf("%+v", at)
	}
	if said := p.sql(t, p.name, "SELECT person || ': ' || reason FROM archive.settlements"); len(said) != 1 || said[0] != "mbe: a technician tried out the broker by hand" {
		t.Errorf("%q", said)
	}
	g.head(ctx, t, g.checkpoint(t, 19))
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "it is in dispute again", disputed("set back"))
}

// anAlteredDatabaseIsFound: who alters a row of the database, with its leaf hash, does not get it co-signed, and it is not the gateway that is blamed.
func anAlteredDatabaseIsFound(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	p.sql(t, p.name, `UPDATE archive.entries SET entry = convert_to(replace(convert_from(entry, 'UTF8'), '17.007', '17.070'), 'UTF8') WHERE id = $1`, g.entries[6].ID)
	p.sql(t, p.name, `UPDATE archive.entries SET leaf = sha256('\x00'::bytea || entry) WHERE id = $1`, g.entries[6].ID)
	g.deliver(ctx, t, g.weigh(t, 5))
	g.head(ctx, t, g.checkpoint(t, 25))
	at := until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "the alteration is found", disputed("the database was altered"))
	if at.Cosigned != 20 {
		t.Errorf("%+v", at)
	}
	t.Logf("found: %s", at.Wrong)
}
