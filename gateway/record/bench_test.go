package record_test

import (
	"encoding/json"
	"testing"

	"weighpost/gateway/record"
)

func BenchmarkParseEntry(b *testing.B) {
	raw := encode(b, weighing())
	b.SetBytes(int64(len(raw)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := record.ParseEntry(raw); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkParseEntryByReflection is the same with the standard library, for the ratio.
func BenchmarkParseEntryByReflection(b *testing.B) {
	raw := encode(b, weighing())
	b.SetBytes(int64(len(raw)))
	b.ReportAllocs()
	for b.Loop() {
		var h struct {
			record.Head
			Balance struct {
				ID string `json:"id"`
			} `json:"balance"`
		}
		if err := json.Unmarshal(raw, &h); err != nil {
			b.Fatal(err)
		}
	}
}
