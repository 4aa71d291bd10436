package setup

import (
	"fmt"
	"slices"
	"strings"
)

const silentAdvice = "Nothing came. A balance that speaks only when asked needs a poll of its own; one that has been asked understands " +
	"another, or its wire for what is sent to it is not connected."

// advice is what to do with what was found.
func advice(s *Settings) string {
	c := s.Candidates[0]
	switch {
	case !s.Sure && s.Elsewhere && len(c.Bytes) == 0:
		return fmt.Sprintf("What came looks most like a balance at %s. The line is set at the device server, not here: set it so there, and run it again.", c.Setting)
	case !s.Sure && s.Address == "":
		return fmt.Sprintf("These bytes alone make no setting sure. Take some at %s, the likeliest, with different weights, and judge those.", c.Setting)
	case !s.Sure && len(c.Bytes) == 0:
		return "No text was read yet. Run it again and press print more often, for different weights: each print is one try."
	case !s.Sure:
		return "Compare the text with the balance's display before you take these settings, or run it again with more prints."
	case s.Elsewhere && s.Heard[len(s.Heard)-1].At != c.Setting && !c.Has(s.Heard[len(s.Heard)-1].At):
		return fmt.Sprintf("The line is set at the device server, not here: set it to %s there.", c.Setting)
	case s.Elsewhere:
		return "The line is set at the device server, not here, and it is set right."
	}
	return "Compare the text with the balance's display."
}

// unclear says what cannot be told apart of the settings found, and why.
func (s *search) unclear(all []Candidate) []string {
	c := all[0]
	if c.Confidence < leastConfidence || len(c.Bytes) == 0 {
		return []string{}
	}
	list := []string{}
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	switch c.Framing() {
	case "8N1":
		add("%s read the same bytes: no receiver looks beyond the eighth bit and the stop bit after it%s. 8N1 is taken, which reads them all.",
			names(c.Same, "8N2", "8M1", "8M2", "7S1", "7S2"), ifAny(c.Has(Setting{Speed: c.Speed}.framed("7S1")),
				", and in each character so far the eighth bit was 0, which is a space parity bit as well"))
	case "7E1", "7O1":
		word := map[string]string{"7E1": "even", "7O1": "odd"}[c.Framing()]
		add("%s and 8N1 with the parity in its eighth bit are the same bits on the line. All %d characters had %s parity, so %[1]s is taken: "+
			"it lets the port find damaged characters.", c.Framing(), len(c.Bytes), word)
		add("One stop bit or two: a receiver looks at the first only.")
	case "7N2", "7N1":
		add("7N1, 7N2, 7M1 and 7M2 are alike while there are pauses: after seven bits comes at least one that is 1. %s is taken.", c.Framing())
	case "8E1", "8O1", "8S1":
		add("One stop bit or two: a receiver looks at the first only.")
	}
	if other := names(c.Same, others(c.Setting)...); other != "" {
		add("No damaged character has been reported at any try. If this adapter reports none at all, %s would read the same bytes here; "+
			"if the balance's menu names one of them, take that.", other)
	}
	if len(c.Same) > 0 || c.StopBits == 1 {
		add("If the balance does not heed what is sent to it, set two stop bits: whether it wants them cannot be heard.")
	}
	for _, other := range all[1:min(len(all), 3)] {
		if other.Confidence >= 0.02 && len(other.Bytes) > 0 {
			add("%s explains what came as well, if less likely (%.2f).", other.Setting, other.Confidence)
		}
	}
	return list
}

// others are the framings with as many data bits that only a parity error tells from one.
func others(s Setting) (list []string) {
	for _, f := range framings {
		other := Setting{Speed: s.Speed}.framed(f.name)
		if other.DataBits == s.DataBits && other.Parity != s.Parity && (other.Parity != "none" || s.Parity != "mark") {
			list = append(list, f.name)
		}
	}
	return list
}

func ifAny(b bool, text string) string {
	if b {
		return text
	}
	return ""
}

// names are the framings of a list that are among those named, as words.
func names(list []Setting, among ...string) string {
	var out []string
	for _, s := range list {
		if slices.Contains(among, s.Framing()) && !slices.Contains(out, s.Framing()) {
			out = append(out, s.Framing())
		}
	}
	if len(out) < 2 {
		return strings.Join(out, "")
	}
	return strings.Join(out[:len(out)-1], ", ") + " and " + out[len(out)-1]
}
