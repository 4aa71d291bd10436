package paper

import "fmt"

// Box is a rectangle in points: its lower left corner, from the left edge and the bottom of the page, and its sides.
type Box struct{ X, Y, Wide, High float64 }

// Boxes fills rectangles black as one shape, so that no hair of light is left between two that touch.
func (p *Pages) Boxes(all []Box) {
	if len(all) == 0 {
		return
	}
	p.body.WriteString(Ink)
	for _, b := range all {
		fmt.Fprintf(&p.body, "%.3f %.3f %.3f %.3f re\n", b.X, b.Y, b.Wide, b.High)
	}
	p.body.WriteString("f\n")
}

// Point is a place on the page in points, from its left edge and its bottom.
type Point struct{ X, Y float64 }

// Stroke draws a line through points in a shade of grey, 0 is black, with a width in points; broken says that it is one of dashes.
func (p *Pages) Stroke(grey, width float64, broken bool, through ...Point) {
	if len(through) < 2 {
		return
	}
	dashes := "[] 0 d"
	if broken {
		dashes = "[4 3] 0 d"
	}
	fmt.Fprintf(&p.body, "q %.2f G %.2f w %s\n", grey, width, dashes)
	for i, at := range through {
		how := "l"
		if i == 0 {
			how = "m"
		}
		fmt.Fprintf(&p.body, "%.2f %.2f %s\n", at.X, at.Y, how)
	}
	p.body.WriteString("S Q\n")
}

// Mark is a text that has to be seen, in red.
func (p *Pages) Mark(f *Font, size, x, y float64, text string) {
	p.Text(f, size, x, y, p.Line(f, text), inkMark)
}
