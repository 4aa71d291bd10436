package bundle

import (
	"fmt"
	"strings"
)

// readme tells whoever opens a bundle what it is.
func readme(a *About) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `Records of weighings at %s, with what shows that they are as they were recorded
%s
Made by weighpost %s. Journal: %s.

To read:      report.html, in any browser. entries.ndjson has the same entries in full, one a line, as JSON.
To verify:    you need the journal's public key, from somebody you trust: the one in key.txt is only a name tag.
              With weighpost:   weighpost validate bundle THIS.zip --key KEY
              Without:          sha256sum -c SHA256SUMS   and then the manual's page "bundle" (weighpost help bundle), which
                                describes every part byte by byte and has a program in another language that does it.

What counts is entries.ndjson, and it is tied to the signed checkpoint. report.html puts the same into words; SHA256SUMS finds
damage, but whoever changes a file on purpose can change its sum too.

Not shown by any of this: that a balance was right, that people and samples are those that are named, or that a clock was right
beyond what each stamp says. Local rules, the laboratory's quality system and qualified people decide what may be done with these
records.
`, plain(a.Site), plain(a.What()), plain(a.Version), plain(a.Origin))
	if a.Of == OfRun {
		b.WriteString("\nA bundle of one run cannot show that nothing was added to the run later: a newer bundle, or one of the whole journal, does.\n")
	}
	for i, text := range a.NotHeld {
		if i == 0 {
			b.WriteString("\nMissing:\n")
		}
		fmt.Fprintf(&b, "- %s\n", plain(text))
	}
	return []byte(b.String())
}

// plain keeps a text to one line that means nothing to a terminal.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 {
			return '?'
		}
		return r
	}, s)
}
