package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"weighpost/parsers/layout"
)

// TestReadPrintsAtOnce sends one line into a pipe that stays open: its reading comes out before anything else goes in.
func TestReadPrintsAtOnce(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	l, err := layout.Parse("l", []byte(`line: "{weight} {unit}"`))
	if err != nil {
		t.Fatal(err)
	}
	in, send := io.Pipe()
	receive, out := io.Pipe()
	done := make(chan error)
	go func() {
		err := readFrames(t.Context(), l, in, out)
		out.Close()
		done <- err
	}()
	lines := bufio.NewScanner(receive)
	for _, digits := range []string{"1.5", "2.5"} {
		if _, err := io.WriteString(send, digits+" g\r\n"); err != nil {
			t.Fatal(err)
		}
		if !lines.Scan() || !strings.Contains(lines.Text(), `"digits":"`+digits+`"`) {
			t.Fatalf("after %s came %q, %v", digits, lines.Text(), lines.Err())
		}
	}
	send.Close()
	if lines.Scan() {
		t.Errorf("after the end came %q", lines.Text())
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestReadEnds ends with its context while no bytes come, with the error of its stream, and when nobody takes its output.
func TestReadEnds(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	l, err := layout.Parse("l", []byte(`line: "{weight} {unit}"`))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	in, send := io.Pipe()
	done := make(chan error)
	go func() { done <- readFrames(ctx, l, in, io.Discard) }()
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("after the end of its context: %v", err)
	}
	send.Close()

	in, send = io.Pipe()
	send.CloseWithError(errors.New("cable pulled"))
	if err := readFrames(t.Context(), l, in, io.Discard); err == nil || !strings.Contains(err.Error(), "the bytes cannot be read: cable pulled") {
		t.Errorf("after an error of its stream: %v", err)
	}

	receive, out := io.Pipe()
	receive.Close()
	if err := readFrames(t.Context(), l, strings.NewReader("1 g\n"), out); err == nil || !strings.Contains(err.Error(), "cannot be written") {
		t.Errorf("without a taker: %v", err)
	}
}
