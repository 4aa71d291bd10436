package archive

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"strconv"

	"github.com/jackc/pgx/v5"
)

// Schema is the SQL of all steps, as the manual points to it.
//
//go:embed schema.sql
var Schema string

// step is one numbered change of the schema.
type step struct {
	number int
	about  string
	sql    string
}

var stepLine = regexp.MustCompile(`(?m)^-- STEP ([0-9]+): (.+)$`)

// steps are those of Schema, in order.
func steps() (list []step) {
	places := stepLine.FindAllStringSubmatchIndex(Schema, -1)
	for i, p := range places {
		end := len(Schema)
		if i+1 < len(places) {
			end = places[i+1][0]
		}
		number, _ := strconv.Atoi(Schema[p[2]:p[3]])
		list = append(list, step{number, Schema[p[4]:p[5]], Schema[p[1]:end]})
	}
	return list
}

// Locks of PostgreSQL that instances share. The second half of a pair names the journal.
const (
	lockSpace  = 0x7765 // "we"
	lockSchema = 1
	lockTree   = lockSpace + 1
)

// errNewer says that the database was made by a newer program.
var errNewer = errors.New("the archive's database was changed by a newer weighpost: use that version, or a newer one")

// migrate applies the steps that are missing. Instances that start together take turns.
func migrate(ctx context.Context, conn *pgx.Conn) error {
	tx, err := conn.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }() // after a commit there is nothing to roll back
	if _, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock($1, $2)", lockSpace, lockSchema); err != nil {
		return err
	}
	at, err := schemaAt(ctx, tx)
	if err != nil {
		return err
	}
	all := steps()
	if newest := all[len(all)-1].number; at > newest {
		return errNewer
	}
	if at == 0 {
		_, err := tx.Exec(ctx, `CREATE SCHEMA IF NOT EXISTS archive;
			CREATE TABLE archive.steps (step integer PRIMARY KEY, about text NOT NULL, applied timestamp with time zone NOT NULL DEFAULT now())`)
		if err != nil {
			return fmt.Errorf("the schema archive cannot be made; its role needs CREATE on the database for the first start: %w", err)
		}
	}
	for _, s := range all {
		if s.number <= at {
			continue
		}
		if _, err := tx.Exec(ctx, s.sql); err != nil {
			return fmt.Errorf("step %d of the archive's schema (%s) cannot be applied: %w", s.number, s.about, err)
		}
		if _, err := tx.Exec(ctx, "INSERT INTO archive.steps (step, about) VALUES ($1, $2)", s.number, s.about); err != nil {
			return err
		}
	}
	return tx.Commit(ctx)
}

type querier interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// schemaAt gives the number of the last step that was applied; 0 where there is no archive yet.
func schemaAt(ctx context.Context, q querier) (at int, err error) {
	var there bool
	if err := q.QueryRow(ctx, "SELECT to_regclass('archive.steps') IS NOT NULL").Scan(&there); err != nil || !there {
		return 0, err
	}
	return at, q.QueryRow(ctx, "SELECT coalesce(max(step), 0) FROM archive.steps").Scan(&at)
}
