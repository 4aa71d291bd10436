package bundle

import (
	"path"
	"slices"

	"weighpost/configs"
	"weighpost/gateway/record"
)

// schemaOf is the name of the file with the JSON Schema of a kind.
func schemaOf(k record.Kind) string {
	switch k {
	case record.KindWeighing, record.KindResult: // of one form
		return "weighing.schema.json"
	}
	return string(k) + ".schema.json"
}

// schema reads one.
func schema(name string) ([]byte, error) {
	if name == "weighing.schema.json" || name == "unread.schema.json" {
		return configs.Schemas.ReadFile(name)
	}
	return configs.Schemas.ReadFile(path.Join("schemas", name))
}

// schemas lists those of the kinds that are in a bundle, in a fixed order.
func (c *content) schemas() (list []string) {
	for k := range c.kinds {
		list = append(list, schemaOf(k))
	}
	slices.Sort(list)
	return slices.Compact(list)
}
