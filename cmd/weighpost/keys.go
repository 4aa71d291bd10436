package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

type keysCommand struct {
	Make   keysMake   `cmd:"" help:"Make a key for a program, and print it this once."`
	List   keysList   `cmd:"" help:"List keys, what they may do, and until when."`
	Revoke keysRevoke `cmd:"" help:"Take a key out of use, at once and for good."`
}

type keysMake struct {
	hostFlags
	ID      string   `arg:"" help:"Id of the key: a to z, 0 to 9 and -. It is never used again."`
	Name    string   `required:"" help:"What it is for."`
	Role    []string `default:"machine" placeholder:"ROLE" help:"What it may do: machine, or another role. Several: once for each."`
	Expires string   `placeholder:"DATE" help:"It is refused after this day, or instant. Left out: as the configuration says (people, keys, longest)."`
	Balance []string `placeholder:"ID" help:"It changes something at this balance only. Several: once for each. Left out: at all."`
	Reason  string   `placeholder:"TEXT" help:"Why."`
	JSON    bool     `help:"Print it as JSON."`
}

func (c keysMake) Run(ctx context.Context, s streams) error {
	k := rights.NewKey{ID: c.ID, Name: c.Name, Roles: c.Role, Balances: c.Balance, Reason: c.Reason}
	if c.Expires != "" {
		at, err := parseDate(c.Expires)
		if err != nil {
			return err
		}
		k.Expires = &at
	}
	var made rights.MadeKey
	err := c.onBook(ctx, bookDeed{Method: "POST", Path: "/api/v1/keys", Body: k, Answer: &made,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			made, err = book.MakeKey(ctx, who, k)
			return err
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(made)
	}
	_, err = fmt.Fprintf(s.out, "made the key %s (%s), good until %s. It is shown this once:\n%s\n", plain(made.ID), plain(made.Name),
		made.Expires.Time().Local().Format("2006-01-02 15:04"), made.Key)
	return err
}

type keysList struct {
	hostFlags
	JSON bool `help:"Print one key a line, as JSON."`
}

func (c keysList) Run(ctx context.Context, s streams) error {
	var a struct{ Keys []rights.KeyView }
	err := c.onBook(ctx, bookDeed{Method: "GET", Path: "/api/v1/keys", Answer: &a,
		Here: func(_ context.Context, book *access.Book, who rights.Who) (err error) {
			a.Keys, err = book.Keys(who)
			return err
		}})
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if len(a.Keys) > 0 && !c.JSON {
		fmt.Fprintln(table, "ID\tNAME\tROLES\tBALANCES\tMADE BY\tSTATE")
	}
	for _, k := range a.Keys {
		if c.JSON {
			err = json.NewEncoder(s.out).Encode(k)
		} else {
			balances := "all"
			if len(k.Balances) > 0 {
				balances = strings.Join(k.Balances, ", ")
			}
			_, err = fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", plain(k.ID), plain(k.Name), plain(strings.Join(k.Roles, ", ")), plain(balances), plain(k.By), keyState(k))
		}
		if err != nil {
			return err
		}
	}
	if len(a.Keys) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no program has a key: weighpost keys make")
	}
	return table.Flush()
}

func keyState(k rights.KeyView) string {
	switch {
	case k.Revoked:
		return "revoked"
	case k.Expires == nil:
		return "good"
	case time.Now().Before(k.Expires.Time()):
		return "until " + k.Expires.Time().Local().Format("2006-01-02")
	}
	return "ended " + k.Expires.Time().Local().Format("2006-01-02")
}

type keysRevoke struct {
	hostFlags
	ID     string `arg:"" help:"Id of the key."`
	Reason string `required:"" placeholder:"TEXT" help:"Why."`
	JSON   bool   `help:"Print its id as JSON."`
}

func (c keysRevoke) Run(ctx context.Context, s streams) error {
	err := c.onBook(ctx, bookDeed{Method: "DELETE", Path: "/api/v1/keys/" + pathPart(c.ID) + "?" + query("reason", c.Reason),
		Here: func(ctx context.Context, book *access.Book, who rights.Who) error {
			return book.RevokeKey(ctx, who, c.ID, c.Reason)
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(map[string]string{"revoked": c.ID})
	}
	_, err = fmt.Fprintf(s.out, "revoked the key %s\n", plain(c.ID))
	return err
}

// pathPart is a text as one part of a path.
func pathPart(text string) string { return url.PathEscape(text) }

// query writes names and values for the end of a path.
func query(pairs ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v.Encode()
}
