// Package configs carries the example layouts inside the program, for the demo.
package configs

import "embed"

// Layouts holds layouts/*.yaml.
//
//go:embed layouts/*.yaml
var Layouts embed.FS
