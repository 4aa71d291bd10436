package walked

import (
	"bytes"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/record"
)

// slips has Ada type in a slip with its picture, and Bo hold it against the picture: Ada is not offered to confirm what she typed, and what cannot
// be taken is told beside its field. Then crucibles are registered, all in one go.
func (w *walk) slips() {
	w.Visit("/slips")
	w.Shows("main", "Nothing waits")
	w.Until(`document.querySelector("#slip button")?.disabled`, "false")
	at := time.Now().Add(-20 * time.Minute)
	for _, field := range [][2]string{{"#digits", "21,3400"}, {"#unit", "g"}, {"#when", at.Format("2006-01-02 15:04")}, {"#slip-clock", at.Add(61 * time.Minute).Format("2006-01-02 15:04")},
		{"#sample", "LOT-9"}, {"#reason", "weighpost was down"}} {
		w.Fill(field[0], field[1])
	}
	w.picture("#slip-picture")
	w.Click("#slip button[type=submit]")
	w.Shows("#digits ~ .wrong, .told", "comma")
	if n := len(w.lab.entries(record.KindLateEntered)); n != 0 {
		w.T.Errorf("what cannot be taken left %d entries", n)
	}
	w.Fill("#digits", "21.3400")
	w.Click("#slip button[type=submit]")
	w.lab.has(1, record.KindLateEntered, `"digits":"21.3400"`, `"LOT-9"`, `"ada"`, `"picture":{"name":"slip.png"`, `"original":"slip"`)
	w.Shows("article.sheet", "21.3400", "waits for a second person", "min ahead of the time given", "You typed it in")
	w.Until(`document.querySelector(".slip-picture img")?.naturalWidth`, "40")
	w.Lacks(`form[data-send$="/decide"]`)
	w.signsOut()
	w.signsIn("bo", bosSecret, "Bo Lind")
	w.Visit("/slips")
	w.Until(`document.querySelector('form[data-send$="/decide"] button')?.disabled`, "false")
	w.Click(`form[data-send$="/decide"] button`)
	w.lab.has(1, record.KindLateDecided, `"confirmed":true`, `"bo"`)
	w.Shows("details.take:last-of-type", "confirmed")
	w.registersCrucibles()
	w.signsOut()
	w.signsIn("ada", adasSecret, "Ada Quill")
}

// picture chooses a picture of 40 × 30 points for a field.
func (w *walk) picture(selector string) {
	w.T.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 40, 30))); err != nil {
		w.T.Fatal(err)
	}
	file := filepath.Join(w.T.TempDir(), "slip.png")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		w.T.Fatal(err)
	}
	var doc struct{ Root struct{ NodeID int } }
	var field struct{ NodeID int }
	if err := w.Call("DOM.getDocument", nil, &doc); err != nil {
		w.T.Fatal(err)
	}
	if err := w.Call("DOM.querySelector", map[string]any{"nodeId": doc.Root.NodeID, "selector": selector}, &field); err != nil {
		w.T.Fatal(err)
	}
	w.Does("DOM.setFileInputFiles", map[string]any{"nodeId": field.NodeID, "files": []string{file}})
}

func (w *walk) registersCrucibles() {
	w.Visit("/containers")
	w.Shows("main", "No container is registered")
	w.Until(`document.querySelector("#register button")?.disabled`, "false")
	w.Until(`(document.getElementById("ids").value = "cr-01\ncr-02\n\ncr-03", document.getElementById("ids").value.length)`, "18")
	w.Fill("#new-sort", "crucible")
	w.Click("#register button[type=submit]")
	w.Shows("table", "cr-01", "cr-03", "can be used")
	w.lab.has(3, record.KindContainerChanged, `"cr-03"`, `"bo"`)
	w.Visit("/containers/cr-02")
	w.Until(`document.querySelector('form[data-send$="/withdraw"] button')?.disabled`, "false")
	w.Click(`details:has(form[data-send$="/withdraw"]) summary`)
	w.Fill("#why", "cracked")
	w.Click(`form[data-send$="/withdraw"] button`)
	w.lab.has(4, record.KindContainerChanged, `"withdrawn"`, "cracked", `"bo"`)
	w.Shows("main", "was withdrawn")
	w.Lacks(`form[data-send$="/withdraw"]`)
	w.Visit("/labels/containers")
	w.Shows("main", "cr-01", "cr-03")
	w.Until(`document.querySelectorAll("svg.bars").length`, "2")
}
