package report

import (
	"fmt"

	"weighpost/gateway/paper"
)

// Chart shows values in their order, with their mean and how they scatter. It is a picture beside a table: its floats go nowhere else.
type Chart struct {
	Name   string // what the values are
	Unit   string
	Points []Dot
	Mean   float64   // of those that count
	S      float64   // their standard deviation, n − 1
	Levels [3]string // mean − s, mean and mean + s in digits
}

// Dot is one value of a chart.
type Dot struct {
	X    float64
	Text string // as it stands in the table
	Out  bool   // it does not count, and is drawn as a cross
}

const (
	chartHigh = 118.0 // points
	axisWide  = 92.0  // for the words beside it
)

// chart draws one, with its lines named in words.
func (s *sheet) chart(c *Chart) {
	if len(c.Points) == 0 {
		return
	}
	s.Need(chartHigh + 50)
	s.Y -= step(bodySize) + 2
	s.Text(s.Bold, bodySize, paper.Margin, s.Y, s.within(s.Bold, bodySize, c.Name+", in "+c.Unit, s.Room()), paper.Ink)
	s.Y -= 4
	low, high := c.Mean-c.S, c.Mean+c.S
	for _, p := range c.Points {
		if !p.Out { // what does not count would press the others flat
			low, high = min(low, p.X), max(high, p.X)
		}
	}
	if high == low {
		low, high = low-1, high+1
	}
	room := (high - low) * 0.12
	low, high = low-room, high+room
	bottom, left, right := s.Y-chartHigh, paper.Margin+axisWide, s.Wide-paper.Margin-6
	at := func(v float64) float64 { return bottom + (v-low)/(high-low)*chartHigh }
	s.Stroke(0.7, 0.5, false, paper.Point{X: left, Y: bottom}, paper.Point{X: right, Y: bottom}, paper.Point{X: right, Y: s.Y}, paper.Point{X: left, Y: s.Y}, paper.Point{X: left, Y: bottom})
	s.levels(c, at, left, right)
	wide := (right - left) / float64(len(c.Points)+1)
	var line []paper.Point
	for i, p := range c.Points {
		x, y := left+wide*float64(i+1), at(p.X)
		if beyond := min(max(y, bottom), bottom+chartHigh); beyond != y {
			y = beyond
			s.Text(s.Plain, 6, x+4, y-2, s.within(s.Plain, 6, p.Text, right-x), paper.InkFaint)
		}
		s.dot(x, y, p.Out)
		if !p.Out {
			line = append(line, paper.Point{X: x, Y: y})
		}
		if len(c.Points) <= 40 || (i+1)%10 == 0 {
			l := s.Line(s.Plain, fmt.Sprint(i+1))
			s.Text(s.Plain, 6, x-l.Width(6)/2, bottom-8, l, paper.InkFaint)
		}
	}
	s.Stroke(0.55, 0.6, false, line...)
	below := s.Line(s.Plain, "values in their order")
	s.Text(s.Plain, 6.5, (left+right-below.Width(6.5))/2, bottom-17, below, paper.InkFaint)
	s.Y = bottom - 22
}

// levels draws mean and scatter, each with its name where there is room for it.
func (s *sheet) levels(c *Chart, at func(float64) float64, left, right float64) {
	apart := at(c.Mean+c.S) - at(c.Mean)
	for i, name := range []string{"mean − s", "mean", "mean + s"} {
		y := at(c.Mean + float64(i-1)*c.S)
		s.Stroke(0.35, 0.6, i != 1, paper.Point{X: left, Y: y}, paper.Point{X: right, Y: y})
		if i == 1 || apart > 8 {
			s.Text(s.Plain, 6.5, paper.Margin, y-2, s.within(s.Plain, 6.5, name+"  "+c.Levels[i], axisWide-4), paper.InkFaint)
		}
	}
}

// dot draws a value: a square that counts, a cross that does not.
func (s *sheet) dot(x, y float64, out bool) {
	const half = 1.9
	if !out {
		s.Boxes([]paper.Box{{X: x - half, Y: y - half, Wide: 2 * half, High: 2 * half}})
		return
	}
	s.Stroke(0, 0.9, false, paper.Point{X: x - half, Y: y - half}, paper.Point{X: x + half, Y: y + half})
	s.Stroke(0, 0.9, false, paper.Point{X: x - half, Y: y + half}, paper.Point{X: x + half, Y: y - half})
}
