package format

import (
	"maps"
	"slices"
	"time"
)

// parseZone reads an offset as stamps have it, "+01:00".
func parseZone(offset string) (*time.Location, error) {
	t, err := time.Parse("-07:00", offset)
	if err != nil {
		return nil, err
	}
	_, seconds := t.Zone()
	return time.FixedZone(offset, seconds), nil
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
