// Package configs carries the example layouts and the ready procedures inside the program.
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
