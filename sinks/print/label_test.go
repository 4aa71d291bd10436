package print

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/oned"
	"github.com/makiuchi-d/gozxing/qrcode"
	"image/png"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func labels() *Config {
	c := Default()
	c.Way, c.Queue, c.Print = Spooler, "lab", Label
	return c
}

// drawn runs a label through poppler: its words, and its picture at 300 dots an inch.
func drawn(t *testing.T, pdf []byte) (words, picture string) {
	t.Helper()
	needs.Programs(t, "pdftotext", "pdftoppm")
	dir := t.TempDir()
	file := filepath.Join(dir, "label.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", file, "-").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if b, err := exec.Command("pdftoppm", "-png", "-r", "300", "-singlefile", file, filepath.Join(dir, "label")).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return string(out), filepath.Join(dir, "label.png")
}

// scanned reads the bar code of a picture by a decoder that is not ours.
func scanned(t *testing.T, picture string, reader gozxing.Reader) string {
	t.Helper()
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	bits, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		t.Fatal(err)
	}
	result, err := reader.Decode(bits, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
	if err != nil {
		t.Fatalf("the bar code cannot be read: %v", err)
	}
	return result.GetText()
}

func TestALabelSaysWhatTheEntrySays(t *testing.T) {
	e := sinktest.WithSamples([]string{"LOT-0042"}, 7)[0]
	fact := sinktest.FactOf(t, e)
	for code, reader := range map[string]gozxing.Reader{"qr": qrcode.NewQRCodeReader(), "code128": oned.NewCode128Reader()} {
		c := labels()
		c.Label.Code = code
		want := e.ID
		if code == "code128" { // an id is too long for the bars of a small label
			c.Label.CodeOf, c.Label.Height, want = "sample", 40, "LOT-0042"
		}
		shown, err := c.Preview("labels", sinks.Env{}, e)
		if err != nil {
			t.Fatal(err)
		}
		words, picture := drawn(t, shown.Body)
		for _, has := range []string{"LOT-0042", fact.Digits, fact.Unit, e.ID, fact.Balance} {
			if !strings.Contains(words, has) {
				t.Errorf("%s: %q is not on the label:\n%s", code, has, words)
			}
		}
		if got := scanned(t, picture, reader); got != want {
			t.Errorf("%s says %q, want %q", code, got, want)
		}
		again, err := c.Preview("labels", sinks.Env{}, e)
		if err != nil || !bytes.Equal(again.Body, shown.Body) {
			t.Errorf("%s: the same entry gives other bytes: %v", code, err)
		}
	}
}

func TestALabelNeverCutsAnythingOff(t *testing.T) {
	c := labels()
	for _, sample := range []string{strings.Repeat("W", 120), "種子-1", "a\x1b[2J"} {
		if _, err := c.Preview("labels", sinks.Env{}, sinktest.WithSamples([]string{sample}, 7)[0]); err == nil {
			t.Errorf("%.20q was put on a label", sample)
		}
	}
	c.Label.Code = "code128"
	if _, err := c.Preview("labels", sinks.Env{}, sinktest.WithSamples([]string{"LOT-1"}, 7)[0]); err == nil || !strings.Contains(err.Error(), "modules") {
		t.Errorf("bars that no scanner reads: %v", err)
	}
}
