package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/term"

	"weighpost/gateway/console"
	"weighpost/gateway/signature"
)

// signedHelp is what the commands tell that are signed.
const signedHelp = `Where it is signed, the statement is shown word for word at the terminal, and then your secret is asked for, a second time after signing in: what
was shown is what is signed, or nothing is. A secret is never an argument, and comes from no file and no pipe: whoever signs reads the statement.
People who sign in at a provider sign on the page of the run.

` + reviewsCaution

// signs has a person sign an act, if it takes a signature of them. Where they may not do it at all nothing is asked: the daemon says why not.
func (r *reviewer) signs(ctx context.Context, s streams, ask asking, a *console.ReviewAct) error {
	var v console.ReviewView
	if err := ask(ctx, deed{Method: http.MethodGet, Path: r.path("/review"), Answer: &v}); err != nil {
		return err
	}
	at := slices.IndexFunc(v.Allowed, func(may console.ReviewAllowed) bool { return may.Act == a.Act })
	if at < 0 || v.Allowed[at].Meaning == "" || v.Last != r.Seen {
		return nil
	}
	if f, ok := s.in.(*os.File); !ok || !term.IsTerminal(int(f.Fd())) {
		return errors.New("this is signed, and whoever signs reads the statement first: nobody is at the terminal. Nothing was done")
	}
	var what console.Statement
	where := r.path("/statement?" + url.Values{"meaning": {v.Allowed[at].Meaning}}.Encode())
	if err := ask(ctx, deed{Method: http.MethodGet, Path: where, Answer: &what}); err != nil {
		return err
	}
	switch {
	case what.Asks.Not != "":
		return fmt.Errorf("%s cannot sign: %s", plain(r.Login), plain(what.Asks.Not))
	case what.Asks.Provider != "":
		return fmt.Errorf("the account %s is kept by %s, which has its people sign in a browser: sign on the page of the run", plain(r.Login), plain(what.Asks.Provider))
	}
	if err := showStatement(s, what.Text); err != nil {
		return err
	}
	secret, err := askSecret(ctx, s, fmt.Sprintf("To sign as %s, the secret of %s", v.Allowed[at].Meaning, plain(r.Login)))
	if err != nil {
		return err
	}
	if secret == "" {
		return errors.New("no secret was given: nothing was signed, and nothing was done")
	}
	a.Signing = &console.Signing{ID: r.Login, Secret: secret, Statement: signature.Hash(what.Text)}
	return nil
}

// showStatement shows a statement as it is. What could move a cursor is in none that weighpost makes, and would not be shown as it is.
func showStatement(s streams, text string) error {
	if strings.ContainsFunc(text, func(r rune) bool { return r != '\n' && !unicode.IsPrint(r) }) {
		return errors.New("the statement holds what a terminal does not show: nothing was signed")
	}
	_, err := fmt.Fprintf(s.err, "\nThis is what you sign:\n\n%s\n", text)
	return err
}

// saySigned says of the signature that was given what every readable form says of one.
func saySigned(s streams, v *console.ReviewView) error {
	if len(v.Signatures) == 0 {
		return errors.New("the daemon did it, and shows no signature under the run: look at it with weighpost reviews show")
	}
	_, err := fmt.Fprintln(s.out, "signed:", plain(signature.Shown(v.Signatures[len(v.Signatures)-1].Signature)))
	return err
}
