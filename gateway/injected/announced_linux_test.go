package injected

import (
	"html"
	"strconv"
	"strings"
)

// announced has a sample announced by the page's form, and ended by it with a reason, in the browser that is signed in.
func (w *walker) announced(b *browser) {
	w.t.Helper()
	const id, reason = `LOT-new/..?a=b#c%2f<b>LOT</b>`, `spilt <b>LOT</b> & "swept"`
	there := func() bool {
		status, _ := w.ask(0, "GET", "samples/"+escaped(id), nil)
		return status == 200
	}
	site := strings.TrimSuffix(w.base.String(), "/")
	b.Go(site + "/samples")
	b.Leave("the page with the announced sample", func() { // by itself: somebody who goes elsewhere before is brought back
		b.Until(`(() => { const f = document.getElementById("announce"); if (!f) return "no form";
		document.getElementById("ids").value = `+strconv.Quote(id)+`; document.getElementById("lot").value = "barley"; f.requestSubmit(); return "sent"; })()`, "sent")
	})
	w.waitFor("the announced sample", there)
	b.Go(site + "/samples?begin=LOT-new")
	b.Leave("the page without the sample", func() {
		b.Until(`(() => { const f = document.querySelector("form.end"); if (!f) return "no form";
		if (decodeURIComponent(f.dataset.address).split("/samples/")[1] !== `+strconv.Quote(id)+`) return "another sample: " + f.dataset.address;
		f.closest("details").open = true; f.querySelector(".why-ended").value = `+strconv.Quote(reason)+`; f.requestSubmit(); return "sent"; })()`, "sent")
	})
	w.waitFor("the end of the sample", func() bool { return !there() })
	if _, body := w.page("/happened?kind=all"); !strings.Contains(body, html.EscapeString(reason)) {
		w.t.Errorf("what happened does not say why the sample was ended: %q", reason)
	}
}
