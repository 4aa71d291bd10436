package main

import (
	"io"
	"strings"
	"testing"
)

// TestArchivePageStaysOnThisComputer: the pages ask nobody who they are, and so they are never where others could come to.
func TestArchivePageStaysOnThisComputer(t *testing.T) {
	for _, listen := range []string{"0.0.0.0:8468", ":8468", "192.0.2.7:8468", "[::]:8468", "archive.example:8468", "8468"} {
		err := archivePage{Listen: listen}.Run(t.Context(), streams{out: io.Discard, err: io.Discard})
		if err == nil || !strings.Contains(err.Error(), "they ask nobody who they are") {
			t.Errorf("--listen %s: %v", listen, err)
		}
	}
	for _, listen := range []string{"127.0.0.1:0", "[::1]:8468", "localhost:8468"} {
		if !ofThisComputer(listen) {
			t.Errorf("%s is refused", listen)
		}
	}
}
