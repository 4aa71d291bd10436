package postgres

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sinktest"
)

// unusable checks that Deliver accepts nothing and says so in words that hold these.
func unusableBy(t *testing.T, s *Sink, words ...string) {
	t.Helper()
	n, err := s.Deliver(within(t, 20*time.Second), sinktest.Weighings(2, 1))
	if n != 0 || !errors.As(err, new(sinks.Unusable)) {
		t.Fatalf("accepted %d and said %v; want 0 and unusable", n, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
	t.Log(err)
}

// TestTables makes tables that cannot be used, each wrong in one way, and looks at rows that must not be touched.
func TestTables(t *testing.T) {
	t.Parallel()
	server := pgtest.Start(t, pgtest.Options{})
	tables := 0
	fresh := func(change string) Config {
		tables++
		c := config(t, server.Addr())
		c.Table, c.Create = fmt.Sprintf("t%d", tables), false
		ask(t, server.Addr(), c.DDL()+strings.ReplaceAll(change, "TABLE t", "TABLE "+c.Table))
		return c
	}
	for change, words := range map[string]string{
		"ALTER TABLE t SET UNLOGGED":                                                    "lost when the server crashes",
		"ALTER TABLE t DROP COLUMN entry":                                               "has no column entry",
		"ALTER TABLE t ALTER COLUMN utc TYPE text":                                      "its column utc is text and not timestamp with time zone",
		"ALTER TABLE t DROP CONSTRAINT t_pkey":                                          "its id is not unique",
		"ALTER TABLE t DROP CONSTRAINT t_pkey; ALTER TABLE t ADD PRIMARY KEY (id, seq)": "its id is not unique",
	} {
		c := fresh("")
		ask(t, server.Addr(), strings.NewReplacer("TABLE t", "TABLE "+c.Table, "t_pkey", c.Table+"_pkey").Replace(change))
		unusableBy(t, openSink(t, c), words)
	}
	missing := config(t, server.Addr())
	missing.Table, missing.Create = "nowhere", false
	unusableBy(t, openSink(t, missing), "there is no table nowhere", "create: true")

	entries := sinktest.Weighings(6, 1)
	t.Run("another entry under the id", func(t *testing.T) {
		c := fresh("")
		other := entries[2]
		other.JSON = bytes.Replace(other.JSON, []byte(`"schema"`), []byte(`"schemx"`), 1)
		other.JSON = append(bytes.TrimSuffix(other.JSON, []byte("}")), []byte(`,"more":1}`)...)
		deliverAll(within(t, 10*time.Second), t, openSink(t, c), []record.Entry{other})
		n, err := openSink(t, c).Deliver(within(t, 10*time.Second), entries)
		if n != 2 || !errors.As(err, new(sinks.Refused)) || !strings.Contains(err.Error(), "another entry under the id "+entries[2].ID) {
			t.Errorf("accepted %d and said %v", n, err)
		}
		got := ask(t, server.Addr(), "SELECT entry FROM "+c.Table+" WHERE id = $1", other.ID)
		if !bytes.Equal(got[0][0].([]byte), other.JSON) {
			t.Error("the row that was there was changed")
		}
	})
	t.Run("a trigger that drops rows", func(t *testing.T) {
		c := fresh("")
		ask(t, server.Addr(), "CREATE FUNCTION drop_it() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN IF NEW.seq = 4 THEN RETURN NULL; END IF; RETURN NEW; END $$;"+
			"CREATE TRIGGER d BEFORE INSERT ON "+c.Table+" FOR EACH ROW EXECUTE FUNCTION drop_it()")
		n, err := openSink(t, c).Deliver(within(t, 10*time.Second), entries)
		if n != 3 || !errors.As(err, new(sinks.Refused)) || !strings.Contains(err.Error(), "a trigger or a rule there drops it") {
			t.Errorf("accepted %d and said %v", n, err)
		}
	})
	t.Run("columns, NUL and late", func(t *testing.T) {
		c := fresh("")
		list := append(sinktest.Weighings(300, 4)[100:], record.Entry{Seq: 301, Kind: record.KindStart, ID: "north-seed-bank/7qx3/@/000301", Late: true,
			JSON: []byte(`{"schema":"weighpost.start/1","id":"north-seed-bank/7qx3/@/000301","seq":301,"site":"north-seed-bank","stamp":{"utc":"2026-11-25T10:04:05.123456Z","zone":"+01:00","clock":"checked"}}`)})
		deliverAll(within(t, 10*time.Second), t, openSink(t, c), list)
		lookAtColumns(t, server.Addr(), c.Table, list)
	})
	t.Run("synchronous_commit off for the role", func(t *testing.T) {
		ask(t, server.Addr(), "ALTER ROLE keeper SET synchronous_commit = off")
		s := openSink(t, fresh(""))
		deliverAll(within(t, 10*time.Second), t, s, entries)
		var is string
		if err := s.link.conn.QueryRow(context.Background(), "SHOW synchronous_commit").Scan(&is); err != nil || is != "on" {
			t.Error(is, err)
		}
	})
	t.Run("a role that only reads", func(t *testing.T) {
		c := config(t, server.Addr())
		deliverAll(within(t, 10*time.Second), t, openSink(t, c), entries)
		asTheManualSays(t, server.Addr())
	})
}

// lookAtColumns compares the columns with what the entries say, read by names of the test's own.
func lookAtColumns(t *testing.T, addr, table string, list []record.Entry) {
	t.Helper()
	rows := ask(t, addr, `SELECT id, coalesce(balance, ''), coalesce(digits, ''), coalesce(unit, ''), coalesce(sample, ''), to_char(utc AT TIME ZONE 'UTC',
		'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'), late, digits IS NULL OR digits::numeric = value, document IS NULL OR document->>'id' = id FROM `+table+" ORDER BY arrival")
	if len(rows) != len(list) {
		t.Fatalf("%d rows of %d entries", len(rows), len(list))
	}
	for i, e := range list[:len(list)-1] {
		f, r := sinktest.FactOf(t, e), rows[i]
		if r[0] != e.ID || r[1] != f.Balance || r[2] != f.Digits || r[3] != f.Unit || r[4] != text(f.Sample) || r[5] != f.UTC || r[6] != false ||
			r[7] != true || r[8] != true {
			t.Errorf("%v is not %+v", r, f)
		}
	}
	if r := rows[len(rows)-1]; r[1] != "" || r[5] != "2026-11-25T10:04:05.123456Z" || r[6] != true {
		t.Error(r)
	}
}

// asTheManualSays runs the SQL of the manual for a role that only reads, as it is printed there.
func asTheManualSays(t *testing.T, addr string) {
	t.Helper()
	page, err := os.ReadFile("../../gateway/help/pages/sink-postgres.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(page), "```sql\n")
	if len(blocks) != 3 {
		t.Fatalf("the page has %d blocks of SQL, want 2", len(blocks)-1)
	}
	made, _, _ := strings.Cut(blocks[1], "```")
	if want := Default().DDL(); made != want {
		t.Errorf("the manual makes the table by\n%s\nand weighpost by\n%s", made, want)
	}
	roles, _, _ := strings.Cut(blocks[2], "```")
	ask(t, addr, roles)
	got, err := try(addr, "reader", "choose-another", "SELECT count(*) FROM weighpost_entries WHERE unit IS NOT NULL")
	if err != nil || len(got) != 1 {
		t.Error(got, err)
	}
	for _, sql := range []string{"DELETE FROM weighpost_entries", "UPDATE weighpost_entries SET late = true", "INSERT INTO weighpost_entries (id) VALUES ('x')"} {
		if _, err := try(addr, "reader", "choose-another", sql); err == nil || !strings.Contains(err.Error(), "42501") {
			t.Errorf("the reader: %s: %v", sql, err)
		}
	}
	if _, err := try(addr, "weighpost", "choose-one", "DELETE FROM weighpost_entries"); err == nil || !strings.Contains(err.Error(), "42501") {
		t.Errorf("who delivers may delete: %v", err)
	}
	c := config(t, addr)
	c.User, c.Password, c.Create = "weighpost", secret(t, "choose-one"), false
	deliverAll(within(t, 10*time.Second), t, openSink(t, c), sinktest.Weighings(20, 1))
}

func TestServersThatAreNotUsed(t *testing.T) {
	t.Parallel()
	certs := mosquitto.NewCertificates(t)
	server := pgtest.Start(t, pgtest.Options{CA: certs.CAFile, Certificate: certs.ServerCertificate, Key: certs.ServerKey, Settings: []string{"fsync=off"}})
	c := config(t, server.Addr())
	c.SSLMode, c.CA = sslFull, certs.CAFile
	unusableBy(t, openSink(t, c), "fsync = off")
	wrong := c
	wrong.Password = secret(t, "flax")
	unusableBy(t, openSink(t, wrong), "28P01", "check user and password")
	wrong = c
	wrong.Database = "nowhere"
	unusableBy(t, openSink(t, wrong), "check database")
	wrong = c
	wrong.CA = certs.OtherCAFile
	unusableBy(t, openSink(t, wrong), "not trusted")
	wrong = c
	wrong.SSLMode, wrong.CA = sslOff, ""
	unusableBy(t, openSink(t, wrong), "pg_hba.conf")
}

// TestCodes is the table of what errors mean; the codes are those of PostgreSQL's appendix A.
func TestCodes(t *testing.T) {
	for code, want := range map[string]meaning{
		"23514": refused, "23505": refused, "22001": refused, "22P05": refused, "P0001": refused, "54000": refused,
		"28P01": unusable, "28000": unusable, "3D000": unusable, "42P01": unusable, "42501": unusable, "42703": unusable, "3F000": unusable,
		"08006": again, "40001": again, "40P01": again, "53100": again, "53300": again, "57P01": again, "57P03": again, "57014": again, "25006": again,
		"55P03": again, "58030": again, "XX000": again,
	} {
		err := judge(fmt.Errorf("around: %w", &pgconn.PgError{Code: code, Message: "said"}))
		got := again
		if errors.As(err, new(sinks.Refused)) {
			got = refused
		} else if errors.As(err, new(sinks.Unusable)) {
			got = unusable
		}
		if got != want {
			t.Errorf("%s: %v", code, err)
		}
	}
}

func TestPreviewShowsTheRow(t *testing.T) {
	c := Default()
	e := sinktest.Weighings(1, 1)[0]
	shown, err := c.Preview("sql", sinks.Env{}, e)
	if err != nil || shown.To != "table weighpost_entries" || !json.Valid(shown.Body) || !bytes.Equal(shown.Body, e.JSON) {
		t.Errorf("%+v %v", shown, err)
	}
	got := map[string]string{}
	for _, a := range shown.Attributes {
		got[a.Name] = a.Value
	}
	if f := sinktest.FactOf(t, e); got["id"] != e.ID || got["digits"] != f.Digits || got["person"] != "NULL" || got["late"] != "false" {
		t.Errorf("%v", got)
	}
}

func TestConfigFaults(t *testing.T) {
	const who = "\ndatabase: lab\nuser: weighpost"
	for _, x := range []struct {
		name, yaml string
		want       []string
	}{
		{"least", "server: db.example" + who, nil},
		{"socket", "server: /run/postgresql" + who, nil},
		{"this machine", "server: \"[::1]:5433\"" + who, nil},
		{"plain on purpose", "server: db.example" + who + "\nsslmode: disable\ninsecure: true", nil},
		{"everything", "server: db.example:5433" + who + "\npassword: env:P\ntable: lab.w\ncreate: true\nsslmode: verify-full\ntimeout: 1s\nca: /ca.pem\ncertificate: /c.pem\nkey: /c.key", nil},
		{"nothing", "create: true", []string{"1:1: server:", "1:1: database:", "1:1: user:"}},
		{"URL", "server: postgres://u:poppy@h/d" + who, []string{"1:9: server: is no host and no folder"}},
		{"port", "server: h:0" + who, []string{"1:9: server: port"}},
		{"plain to elsewhere", "server: db.example" + who + "\nsslmode: disable", []string{"4:10: sslmode: the connection to \"db.example\" would not be encrypted"}},
		{"TLS over a socket", "server: /run/postgresql" + who + "\nsslmode: verify-full", []string{"4:10: sslmode: a socket"}},
		{"table", "server: db.example" + who + "\ntable: \"a;drop\"", []string{"4:8: table: \"a;drop\" is no name"}},
		{"quotes", "server: db.example" + who + "\ntable: 'a\".b'", []string{"4:8: table:"}},
		{"timeout", "server: db.example" + who + "\ntimeout: 1ms", []string{"4:10: timeout: 1ms is out of range"}},
		{"authority without TLS", "server: localhost" + who + "\nca: /ca.pem", []string{"4:5: ca: is given, but the connection has no TLS"}},
		{"relative", "server: db.example" + who + "\nca: ca.pem", []string{"4:5: ca: \"ca.pem\" is not absolute"}},
		{"key alone", "server: db.example" + who + "\nkey: /k", []string{"1:1: certificate: certificate and key go together"}},
		{"password in the file", "server: db.example" + who + "\npassword: poppy", []string{"4:11: password: a secret is not written into the file"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			c := Default()
			doc, faults := strict.Load("weighpost.yaml", []byte(x.yaml+"\n"), c)
			r := doc.Report()
			c.Check(r)
			faults = append(faults, r.Faults()...)
			faults.Sort()
			for i, f := range faults {
				said := strings.TrimPrefix(f.Error(), "weighpost.yaml:")
				if i >= len(x.want) || !strings.HasPrefix(said, x.want[i]) {
					t.Errorf("fault %d: %s", i+1, said)
				}
				if strings.Contains(said, "poppy") {
					t.Errorf("a password is shown: %s", said)
				}
			}
			if len(faults) != len(x.want) {
				t.Errorf("%d faults, want %d", len(faults), len(x.want))
			}
		})
	}
}
