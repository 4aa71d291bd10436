package screens

import (
	"bytes"
	"html/template"
	"testing"
)

// TestADirectionDoesNotReachBeyondItsWord: letters from right to left stand alone, digits beside them where they were, and all of it
// is text; in an attribute without elements.
func TestADirectionDoesNotReachBeyondItsWord(t *testing.T) {
	page := template.Must(template.New("").Funcs(template.FuncMap{"seen": isolated}).Parse(`{{seen .}}|<p title="{{seen .}}">`))
	for text, want := range map[string]string{
		"LOT-1 12.5 g":                      `LOT-1 12.5 g|<p title="LOT-1 12.5 g">`,
		"lot עדש 12.5 g":                    `lot <bdi>עדש</bdi> 12.5 g|<p title="lot עדש 12.5 g">`,
		"עדש חום: 12":                       `<bdi>עדש חום</bdi>: 12|<p title="עדש חום: 12">`,
		"عينة1 <b>שׁ</b>":                   `<bdi>عينة</bdi>1 &lt;b&gt;<bdi>שׁ</bdi>&lt;/b&gt;|<p title="عينة1 &lt;b&gt;שׁ&lt;/b&gt;">`,
		`<img src=x onerror="1">`:           `&lt;img src=x onerror=&#34;1&#34;&gt;|<p title="&lt;img src=x onerror=&#34;1&#34;&gt;">`,
		"1\u202e5.0\u2066 \u200f\u200b\x1b": `1&lt;U&#43;202E&gt;5.0&lt;U&#43;2066&gt; &lt;U&#43;200F&gt;&lt;U&#43;200B&gt;&lt;U&#43;001B&gt;|<p title="1&lt;U&#43;202E&gt;5.0&lt;U&#43;2066&gt; &lt;U&#43;200F&gt;&lt;U&#43;200B&gt;&lt;U&#43;001B&gt;">`,
		"":                                  `|<p title="">`,
	} {
		var b bytes.Buffer
		if err := page.Execute(&b, text); err != nil || b.String() != want {
			t.Errorf("%q: %v\n%s, want\n%s", text, err, b.String(), want)
		}
	}
}
