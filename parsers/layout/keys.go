package layout

import "reflect"

// Keys is the shape of a layout file as a struct type whose tags name and describe each key. The JSON Schema of layouts is
// made from it.
func Keys() reflect.Type { return reflect.TypeFor[source]() }
