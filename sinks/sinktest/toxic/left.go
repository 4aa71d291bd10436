package toxic

import "go.uber.org/goleak"

// Left is for goleak: toxiproxy 2.5.0 leaves goroutines of its own behind where a toxic is taken from a link that is just ending.
// Of a sink's goroutines it hides none.
func Left() []goleak.Option {
	const library = "github.com/Shopify/toxiproxy/v2"
	return []goleak.Option{
		goleak.IgnoreAnyFunction(library + "/toxics.(*ToxicStub).Run"),
		goleak.IgnoreAnyFunction(library + ".(*ToxicLink).read"),
		goleak.IgnoreAnyFunction(library + ".(*ToxicLink).write"),
	}
}
