package injected

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// taken are ids that record.CheckContextID lets through, by what they mean to somebody. Each arrives as it is, everywhere.
var taken = map[string][]string{
	"paths (CWE-22)":                 {"../../../../tmp/owned", "..%2f..%2fowned", "..", ".", "/etc/owned", "~/owned", `..\..\owned`, `C:\owned`, "CON", "nul.txt", "LPT1", "lot.", "-rf", ".hidden"},
	"headers (CWE-113), escaped":     {"X%0d%0aSet-Cookie: owned=1", "Location: http://owned.example"},
	"log lines (CWE-117), escaped":   {`x\nlevel=ERROR msg=owned`, `" level=ERROR msg="owned`, "%s%n%x%d"},
	"formulas (CWE-1236)":            {"=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(1+1)", `=HYPERLINK("http://owned.example")`, "＝1+1", `"=1+1"`, "'=1+1"},
	"CSV (RFC 4180)":                 {`a,b;"c"`, `"`, "'", `","owned","`},
	"topics (MQTT 3.1.1, 4.7)":       {"+", "#", "+/#", "$SYS/broker", "$share/a/b", "a//b", "@"},
	"JSON (RFC 8259)":                {`"},"sample":{"id":"owned"},"x":{"`, `\u0000`, `\`, `{"id":"owned"}`, "null", "0", "-1e999"},
	"HTML and scripts (CWE-79)":      {`<img src=x onerror="document.title='owned'"><b>LOT</b>`, "</script><script>document.title='owned'</script>", "javascript:alert(1)", "&lt;b&gt;&amp;", `" autofocus onfocus="document.title='owned'`},
	"LDAP (RFC 4514 and 4515)":       {"*)(uid=*))(|(uid=*", "cn=owned,dc=example", `\2a\00`},
	"SQL (CWE-89)":                   {"'; DROP TABLE entries; --", `" OR "1"="1`, "1 OR 1=1 /*"},
	"shells (CWE-78)":                {"$(touch owned)", "`touch owned`", "; touch owned #", "| touch owned &", "--help"},
	"templates":                      {"{id}", "{sample}{person}", "${HOME}", "{{.}}", "%{id}"},
	"URLs (RFC 3986)":                {"?a=b&c=d#e", "http://owned.example/?q=1", "//owned.example", "%00", "%2e%2e%2f", "a b", "a+b"},
	"YAML and XML":                   {"- a: b", "!!binary x", "<!DOCTYPE x [<!ENTITY y SYSTEM 'file:///etc/passwd'>]>", "]]>"},
	"letters":                        {"lot-e\u0301", "lot-\u00e9", "ﬁ", "İ", "ß", "试样", "عينة", "🌾", strings.Repeat("x", 128), strings.Repeat("🌾", 128)},
	"PostScript and PDF (ISO 32000)": {`(owned) Tj /JS (app.alert(1))`, `\) Tj (`, "<</S/JavaScript>>"},
}

// refused are ids that are taken nowhere, with what the sentence says of them.
var refused = map[string]string{
	"x\r\nSet-Cookie: owned=1": "cannot be seen", "x\nlevel=ERROR msg=owned": "cannot be seen", "x\x00y": "cannot be seen",
	"x\x1b[2J": "cannot be seen", "\x1b]0;owned\x07": "cannot be seen", "x\u009b31m": "cannot be seen", "\t=1+1": "cannot be seen", "x\x7fy": "cannot be seen", "x\by": "cannot be seen",
	"x\u202eLOT": "cannot be seen", "x\u2066LOT": "cannot be seen", "x\u200bLOT": "cannot be seen", "\ufeffLOT": "cannot be seen", "x\u00adLOT": "cannot be seen",
	"x\u2028y": "cannot be seen", "x\u0085y": "cannot be seen", "x\u00a0y": "cannot be seen", "x\ufffdy": "cannot be seen", "x\U000e0001y": "cannot be seen", "x\ue000y": "cannot be seen",
	" x": "space", "x ": "space", strings.Repeat("x", 129): "128 are allowed",
}

func ids() (list []string) {
	for _, some := range taken {
		list = append(list, some...)
	}
	return list
}

// TestTheTables: what is in them is what the vocabulary lets through, or not.
func TestTheTables(t *testing.T) {
	seen := map[string]bool{}
	for what, list := range taken {
		for _, id := range list {
			if err := record.CheckContextID(id); err != nil || seen[id] {
				t.Errorf("%s: %q: %v, or it is there twice", what, id, err)
			}
			seen[id] = true
		}
	}
	for id, says := range refused {
		if err := record.CheckContextID(id); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v", id, err)
		}
	}
}
