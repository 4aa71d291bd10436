package shells

import (
	"fmt"
	"strings"
)

const fishWalk = `function __weighpost_at # whether the words so far name exactly this command
	set -l at ''
	for word in (commandline -opc)[2..-1]
		set -l next (string trim -- "$at $word")
		contains -- $next $__weighpost_paths; and set at $next
	end
	test "$at" = "$argv[1]"
end
`

func fish(offers []offer) string {
	var b strings.Builder
	b.WriteString("# Completion of the command line of weighpost for fish. It was made by: weighpost completion fish\nset -g __weighpost_paths")
	for _, o := range offers[1:] {
		b.WriteString(" " + quoted(o.path))
	}
	b.WriteString("\n" + fishWalk)
	for _, o := range offers {
		at := "complete -c weighpost -n " + quoted(`__weighpost_at "`+o.path+`"`)
		if len(o.commands) > 0 || len(o.words) > 0 {
			fmt.Fprintf(&b, "%s -f\n", at)
		}
		for _, c := range o.commands {
			fmt.Fprintf(&b, "%s -a %s -d %s\n", at, c.name, quoted(c.help))
		}
		for _, w := range o.words {
			fmt.Fprintf(&b, "%s -a %s\n", at, quoted(w))
		}
		for _, f := range o.flags {
			b.WriteString(at + fishFlag(f) + "\n")
		}
	}
	return b.String()
}

func fishFlag(f flag) string {
	line := ""
	for _, n := range f.names {
		if long, ok := strings.CutPrefix(n, "--"); ok {
			line += " -l " + long
		} else {
			line += " -s " + strings.TrimPrefix(n, "-")
		}
	}
	switch {
	case len(f.words) > 0:
		line += " -x -a " + quoted(strings.Join(f.words, " "))
	case f.folders:
		line += ` -x -a "(__fish_complete_directories)"`
	case f.valued:
		line += " -r"
	}
	return line + " -d " + quoted(f.help)
}
