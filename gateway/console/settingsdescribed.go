package console

import (
	"net/http"

	"github.com/danielgtaylor/huma/v2"
)

// describeSettings writes the bodies of the requests into the description.
func describeSettings(doc *huma.OpenAPI) {
	body := func(b *huma.RequestBody, name, about string, types []string) {
		properties := map[string]*huma.Schema{
			"reason": words(500, "Why, for whoever reads the journal later."),
			"by":     words(128, "Who asks for it. "+byNote),
		}
		needed := []string{"reason"}
		if name != "" {
			properties["dry_run"] = &huma.Schema{Type: huma.TypeBoolean, Description: "true: nothing is done, and every mistake is told with its path."}
			properties[name] = &huma.Schema{Type: huma.TypeObject, Description: about, AdditionalProperties: true}
			needed = append(needed, name)
		}
		b.Required, b.Content = true, map[string]*huma.MediaType{}
		for _, kind := range types {
			b.Content[kind] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Required: needed, Properties: properties}}
		}
	}
	describeFaulty(doc)
	paths := doc.Paths
	body(paths[settingsPath].Patch.RequestBody, "change", "A merge patch (RFC 7396) on the document that GET gives: null takes a setting away.", bodyTypes[http.MethodPatch])
	for _, list := range []string{"balances", "sinks", "checks"} {
		put := paths[settingsPath+"/"+list+"/{id}"].Put.RequestBody
		body(put, "settings", "What it is set to, as the document at settings has it.", bodyTypes[http.MethodPut])
		if list == "balances" {
			describeLayout(put)
		}
	}
	for _, act := range []string{"adopt", "turn-down"} {
		body(paths[pendingPath+"/{id}/"+act].Post.RequestBody, "", "", bodyTypes[http.MethodPost])
	}
}

// describeLayout adds what a balance may bring along.
func describeLayout(b *huma.RequestBody) {
	for _, content := range b.Content {
		content.Schema.Properties["layout"] = &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true,
			Description: "What describes the balance's lines, with the keys of a layout file. It is written as a file of its own in the folder layouts beside the " +
				"configuration file, and the settings name that."}
		most := mostFrames
		content.Schema.Properties["frames"] = &huma.Schema{Type: huma.TypeArray, MaxItems: &most, Items: &huma.Schema{Type: huma.TypeString, ContentEncoding: "base64"},
			Description: "With dry_run and layout: frames of the balance, each of at most 4096 bytes. The answer says how the layout reads them."}
	}
}

// describeFaulty says that a problem may tell the place of each mistake.
func describeFaulty(doc *huma.OpenAPI) {
	for name, schema := range doc.Components.Schemas.Map() {
		if name == "ProblemDocument" {
			text := func(about string) *huma.Schema { return &huma.Schema{Type: huma.TypeString, Description: about} }
			schema.Properties["errors"] = &huma.Schema{Type: huma.TypeArray, Description: "Every mistake with its place, where that is known.",
				Items: &huma.Schema{Type: huma.TypeObject, Properties: map[string]*huma.Schema{
					"location": text("Which setting or key: balances[0].port.speed, certificate.due; empty for all of it."), "message": text("What is wrong, and what would be right.")}}}
		}
	}
}
