package leaks

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// js fills JSON with strings: %q stands for one, as JSON writes it.
func js(format string, values ...string) string {
	for _, v := range values {
		b, err := json.Marshal(v)
		if err != nil {
			panic(err)
		}
		format = strings.Replace(format, "%q", string(b), 1)
	}
	return format
}

func contextFor(t *testing.T) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(t.Context()), 20*time.Second)
}

func waitFor(t *testing.T, what string, f func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !f(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s did not come in time", what)
		}
	}
}

// entryWriter writes entries out as they stand, and counts their kinds.
func entryWriter(to *bytes.Buffer, kinds map[string]int) func(record.Entry) error {
	return func(e record.Entry) error {
		kinds[string(e.Kind)]++
		_, err := fmt.Fprintf(to, "%s\n", e.JSON)
		return err
	}
}
