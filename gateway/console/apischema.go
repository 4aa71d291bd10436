package console

import (
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
)

// describeContext writes the body of a request into the description. It is read by record.ParseContextRequest, which is
// stricter than a schema can say: names that are there twice, and what cannot be seen, are refused as well.
func describeContext(doc *huma.OpenAPI) {
	number := func(v float64) *float64 { return &v }
	length := func(n int) *int { return &n }
	schemas := doc.Components.Schemas.Map()
	schemas["ContextItem"] = &huma.Schema{
		Description: "One item. null ends it.",
		OneOf: []*huma.Schema{{Type: "null"}, {
			Type: huma.TypeObject, Required: []string{"id"}, AdditionalProperties: false,
			Properties: map[string]*huma.Schema{
				"id":    {Type: huma.TypeString, MaxLength: length(128), Description: "What it is called. An empty one ends the item."},
				"for_s": {Type: huma.TypeNumber, ExclusiveMinimum: number(0), Maximum: number(31 * 24 * 3600), Description: "For how many seconds it holds."},
				"uses": {Description: "For how many weighings it holds; -1: until it is replaced.",
					OneOf: []*huma.Schema{{Type: huma.TypeInteger, Minimum: number(1), Maximum: number(1_000_000)}, {Type: huma.TypeInteger, Enum: []any{-1}}}},
			},
		}},
	}
	item := &huma.Schema{Ref: "#/components/schemas/ContextItem"}
	schemas["ContextRequest"] = &huma.Schema{
		Type: huma.TypeObject, AdditionalProperties: false,
		Properties: map[string]*huma.Schema{
			"person": item, "sample": item, "method": item, "run": item, "lot": item,
			"fields":   {Type: huma.TypeObject, AdditionalProperties: item, Description: "Free fields by name: a to z, 0 to 9 and -."},
			"label":    {Type: huma.TypeString, MinLength: length(1), MaxLength: length(128), Description: "What somebody read off the balance: its id, serial number or printed name. It confirms which balance is connected; with the label of another one the request is refused."},
			"sign_out": {Type: huma.TypeBoolean, Enum: []any{true}, Description: "Ends everything, and stands beside no item."},
			"confirm":  {Type: huma.TypeBoolean, Description: "What is unusual about the sample was answered (409) to the same request within the last 30 seconds, and it is meant."},
			"sent":     {Type: huma.TypeString, Format: "date-time", Description: "When it was sent; together with valid_s."},
			"valid_s":  {Type: huma.TypeNumber, ExclusiveMinimum: number(0), Maximum: number(31 * 24 * 3600), Description: "For how long from then on it may be carried out."},
			"request":  {Type: huma.TypeString, MaxLength: length(64), Description: "The sender's own mark."},
		},
		DependentRequired: map[string][]string{"sent": {"valid_s"}, "valid_s": {"sent"}},
		Examples:          []any{map[string]any{"person": map[string]any{"id": "p-07", "for_s": 3600}, "sample": map[string]any{"id": "LOT-1003", "uses": 1}}},
	}
	body := &huma.MediaType{Schema: &huma.Schema{Ref: "#/components/schemas/ContextRequest"}}
	routes := doc.Paths[contextPath]
	for method, op := range map[string]*huma.Operation{http.MethodPut: routes.Put, http.MethodPatch: routes.Patch} {
		op.RequestBody.Required = true
		op.RequestBody.Content = map[string]*huma.MediaType{}
		for _, kind := range bodyTypes[method] {
			op.RequestBody.Content[kind] = body
		}
	}
}

// sentence has a text begin with a capital letter and end with a full stop.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return strings.TrimSuffix(string(unicode.ToUpper(first))+text[size:], ".") + "."
}

// words describes a text that a person writes into a request, of 1 to so many characters.
func words(most int, what string) *huma.Schema {
	one := 1
	return &huma.Schema{Type: huma.TypeString, MinLength: &one, MaxLength: &most, Description: what}
}
