// Package configs carries the example layouts, the ready procedures, the commented configuration and the schemas of entries inside the
// program.
package configs

import "embed"

// Layouts holds layouts/*.yaml.
//
//go:embed layouts/*.yaml
var Layouts embed.FS

// Procedures holds procedures/*.yaml: each is a procedure that can be adopted as it is, or copied and changed.
//
//go:embed procedures/*.yaml
var Procedures embed.FS

// Schemas holds the JSON Schema of every kind of entry: schemas/KIND.schema.json, and for weighings, results and unread frames the two that
// say more than their types do.
//
//go:embed weighing.schema.json unread.schema.json schemas/*.json
var Schemas embed.FS

// Commented is a configuration with every key, its meaning and its default.
//
//go:embed commented.yaml
var Commented string
