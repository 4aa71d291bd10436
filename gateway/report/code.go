package report

import (
	"github.com/boombuler/barcode/qr"

	"weighpost/gateway/paper"
)

const (
	codeSide = 124.0 // of a QR code on paper, in points: 44 mm
	quiet    = 4     // modules around it that stay white (ISO/IEC 18004, 5.3.8, from memory)
)

// code draws a QR code. A text that is too long for one is said instead: nothing is cut off.
func (s *sheet) code(text string) {
	b, err := qr.Encode(text, qr.M, qr.Unicode)
	if err != nil {
		s.Paragraph(s.Plain, bodySize, "There is no QR code here: "+err.Error()+".", paper.Ink)
		return
	}
	s.Need(codeSide + 8)
	s.Y -= codeSide + 8
	side := b.Bounds().Dx()
	module := codeSide / float64(side+2*quiet)
	var boxes []paper.Box
	for row := range side {
		for from := 0; from < side; from++ {
			to := from
			for to < side && dark(b.At(to, row).RGBA()) {
				to++
			}
			if to > from {
				boxes = append(boxes, paper.Box{X: paper.Margin + float64(from+quiet)*module, Y: s.Y + float64(side-1-row+quiet)*module, Wide: float64(to-from) * module, High: module})
				from = to
			}
		}
	}
	s.Boxes(boxes)
	x := paper.Margin + codeSide + 10
	lines := s.Plain.Wrap("The code says:\n"+text, bodySize, s.Wide-paper.Margin-x)
	for i, l := range lines {
		if y := s.Y + codeSide - 14 - float64(i)*step(bodySize); y > s.Y {
			s.Text(s.Plain, bodySize, x, y, l, paper.Ink)
		}
	}
}

func dark(r, _, _, _ uint32) bool { return r < 0x8000 }
