package postgres

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"weighpost/sinks"
)

// column is one column that an entry is written to.
type column struct{ name, kind, about string }

// columns are those of the table, in the order in which rows are handed over. The server itself adds arrival and received.
var columns = []column{
	{"id", "text", "the entry's id, the same for ever"},
	{"seq", "bigint", "its sequence in the journal"},
	{"kind", "text", "weighing, result and so on"},
	{"site", "text", "name of the site"},
	{"balance", "text", "id of the balance, NULL where it is about none"},
	{"utc", "timestamp with time zone", "when it happened"},
	{"clock", "text", "checked, holdover or unchecked"},
	{"digits", "text", "the digits as printed"},
	{"value", "numeric", "the same as a number"},
	{"unit", "text", "UCUM code of the unit"},
	{"value_kind", "text", "gross, net, tare …"},
	{"stability", "text", "stable, unstable, unknown"},
	{"sample", "text", "what the weighing is tied to"},
	{"person", "text", ""},
	{"method", "text", ""},
	{"run", "text", ""},
	{"lot", "text", ""},
	{"verdicts", "jsonb", "what each rule said"},
	{"passed", "boolean", "whether every rule was passed; NULL where none judged"},
	{"late", "boolean", "it came after entries that are younger"},
	{"document", "jsonb", "the entry for queries; NULL where it holds the character NUL, which PostgreSQL cannot"},
	{"entry", "bytea", "the exact bytes, over which the journal's hash is made"},
}

// needed are columns that are never NULL.
var needed = []string{"id", "seq", "kind", "site", "late", "entry"}

// DDL is the SQL that makes the table, as the manual has it.
func (c *Config) DDL() string {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TABLE IF NOT EXISTS %s (\n", c.Table)
	for _, col := range columns {
		fmt.Fprintf(&b, "  %s %s", col.name, col.kind)
		switch {
		case col.name == "id":
			b.WriteString(" PRIMARY KEY")
		case slices.Contains(needed, col.name):
			b.WriteString(" NOT NULL")
		}
		b.WriteString(",\n")
	}
	b.WriteString("  arrival bigint GENERATED ALWAYS AS IDENTITY,\n  received timestamp with time zone NOT NULL DEFAULT now()\n);\n")
	_, bare, found := strings.Cut(c.Table, ".")
	if !found {
		bare = c.Table
	}
	for _, on := range []string{"utc", "sample", "balance, utc"} {
		name := strings.ReplaceAll(strings.ReplaceAll(on, ", ", "_"), " ", "")
		fmt.Fprintf(&b, "CREATE INDEX IF NOT EXISTS %s_%s ON %s (%s);\n", bare, name, c.Table, on)
	}
	return b.String()
}

// prepare makes the table where that is wanted, and says what is wrong with it.
func (c *Config) prepare(ctx context.Context, conn *pgx.Conn) error {
	found, err := c.look(ctx, conn)
	if err != nil || found {
		return err
	}
	if !c.Create {
		return sinks.Unusable{Err: fmt.Errorf("there is no table %s, or this role may not use its schema: have it made by its keeper, or set create: true", c.Table)}
	}
	if _, err := conn.PgConn().Exec(ctx, c.DDL()).ReadAll(); err != nil {
		return fmt.Errorf("the table %s cannot be made: %w", c.Table, err)
	}
	if found, err = c.look(ctx, conn); err == nil && !found {
		err = sinks.Unusable{Err: fmt.Errorf("the table %s was made and is not there", c.Table)}
	}
	return err
}

// look says whether the table is there, and what is wrong with it.
func (c *Config) look(ctx context.Context, conn *pgx.Conn) (found bool, err error) {
	var kind, persistence string
	var unique, insert, read bool
	err = conn.QueryRow(ctx, `SELECT c.relkind::text, c.relpersistence::text,
		EXISTS (SELECT 1 FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = i.indkey[0]
			WHERE i.indrelid = c.oid AND i.indisunique AND i.indisvalid AND i.indpred IS NULL AND i.indnkeyatts = 1 AND a.attname = 'id'),
		has_table_privilege(c.oid, 'INSERT'), has_table_privilege(c.oid, 'SELECT')
		FROM pg_class c WHERE c.oid = to_regclass($1)`, c.Table).Scan(&kind, &persistence, &unique, &insert, &read)
	if err == pgx.ErrNoRows {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	var wrong []string
	add := func(is bool, what string) {
		if is {
			wrong = append(wrong, what)
		}
	}
	add(kind != "r" && kind != "p", "it is no table")
	add(persistence != "p", "it is unlogged or temporary, and lost when the server crashes")
	add(!unique, "its id is not unique: there is no primary key or unique index on id alone")
	add(!insert, "this role may not insert into it")
	add(!read, "this role may not read it")
	of, err := c.columnsOf(ctx, conn)
	if err != nil {
		return false, err
	}
	for _, col := range columns {
		is, there := of[col.name]
		add(!there, "it has no column "+col.name)
		add(there && is != col.kind, fmt.Sprintf("its column %s is %s and not %s", col.name, is, col.kind))
	}
	if wrong != nil {
		return true, sinks.Unusable{Err: fmt.Errorf("the table %s cannot be used: %s", c.Table, strings.Join(wrong, "; "))}
	}
	return true, nil
}

func (c *Config) columnsOf(ctx context.Context, conn *pgx.Conn) (map[string]string, error) {
	rows, err := conn.Query(ctx, `SELECT attname::text, format_type(atttypid, atttypmod) FROM pg_attribute
		WHERE attrelid = to_regclass($1) AND attnum > 0 AND NOT attisdropped`, c.Table)
	if err != nil {
		return nil, err
	}
	of := map[string]string{}
	var name, kind string
	_, err = pgx.ForEachRow(rows, []any{&name, &kind}, func() error { of[name] = kind; return nil })
	return of, err
}
