package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// longestSecret is how much of a line is read as a secret, in bytes.
const longestSecret = 4096

// askSecret asks for a secret at the terminal, where nothing of it is shown, or reads one line of standard input.
func askSecret(ctx context.Context, s streams, what string) (string, error) {
	f, ok := s.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(s.in, longestSecret+2)).ReadString('\n')
		switch {
		case err != nil && !errors.Is(err, io.EOF):
			return "", fmt.Errorf("the secret cannot be read: %w", err)
		case len(line) > longestSecret:
			return "", fmt.Errorf("the secret has more than %d bytes", longestSecret)
		}
		return strings.TrimSuffix(strings.TrimSuffix(line, "\n"), "\r"), nil
	}
	fmt.Fprintf(s.err, "%s: ", what)
	typed, err := readHidden(ctx, int(f.Fd()))
	fmt.Fprintln(s.err)
	if err != nil {
		return "", fmt.Errorf("the secret cannot be read: %w", err)
	}
	return string(typed), nil
}

// readHidden reads a line without showing it. Ctrl-C ends it, and the terminal is then as it was.
func readHidden(ctx context.Context, terminal int) ([]byte, error) {
	before, err := term.GetState(terminal)
	if err != nil {
		return nil, err
	}
	type read struct {
		line []byte
		err  error
	}
	done := make(chan read, 1)
	go func() {
		line, err := term.ReadPassword(terminal)
		done <- read{line, err}
	}()
	select {
	case r := <-done:
		return r.line, r.err
	case <-ctx.Done(): // the program ends, and the reading with it
		return nil, errors.Join(ctx.Err(), term.Restore(terminal, before))
	}
}
