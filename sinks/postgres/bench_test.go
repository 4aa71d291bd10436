package postgres

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"weighpost/gateway/record"
	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: committed weighings on a real server in batches of 256 (one statement with an array for each column), against bare
// loops over the same rows: an insert queued for each (pgx.Batch, one transaction), and COPY, which cannot pass over what is there already.
func BenchmarkDeliver(b *testing.B) {
	server := pgtest.Start(b, pgtest.Options{})
	bare := map[string]func(context.Context, *pgx.Conn, []row) error{"against=batch": queued, "against=copy": copied}
	for _, name := range []string{"against=batch", "against=copy"} {
		b.Run(name, func(b *testing.B) {
			c := config(b, server.Addr())
			c.Table = "ours_" + name[len("against="):]
			s := openSink(b, c)
			c.Table = "bare"
			l, err := c.dial(b.Context())
			if err != nil {
				b.Fatal(err)
			}
			defer l.close()
			if _, err := l.conn.Exec(b.Context(), "TRUNCATE bare"); err != nil {
				b.Fatal(err)
			}
			sinktest.Against(b, 256, s, func(entries []record.Entry) error {
				rows, err := rowsOf(entries)
				if err != nil {
					return err
				}
				return bare[name](b.Context(), l.conn, rows)
			})
		})
	}
}

func queued(ctx context.Context, conn *pgx.Conn, rows []row) error {
	var places []string
	for i := range columns {
		places = append(places, fmt.Sprintf("$%d", i+1))
	}
	insert := "INSERT INTO bare (" + names() + ") VALUES (" + strings.Join(places, ",") + ")"
	queue := &pgx.Batch{}
	for _, r := range rows {
		queue.Queue(insert, r.values()...)
	}
	return conn.SendBatch(ctx, queue).Close()
}

func copied(ctx context.Context, conn *pgx.Conn, rows []row) error {
	number := slices.IndexFunc(columns, func(c column) bool { return c.name == "value" })
	n, err := conn.CopyFrom(ctx, pgx.Identifier{"bare"}, strings.Split(names(), ", "), pgx.CopyFromSlice(len(rows), func(i int) ([]any, error) {
		values := rows[i].values()
		if rows[i].value == nil {
			return values, nil
		}
		var n pgtype.Numeric // what COPY in binary form takes
		err := n.Scan(strings.TrimPrefix(*rows[i].value, "+"))
		values[number] = n
		return values, err
	}))
	if err == nil && n != int64(len(rows)) {
		err = fmt.Errorf("%d of %d rows were copied", n, len(rows))
	}
	return err
}
