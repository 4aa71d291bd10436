package shells

import (
	"fmt"
	"strings"
)

const zshWalk = `_weighpost() {
	local at= word before=${words[CURRENT - 1]} only= folders=
	local -a commands flags values
	for word in "${words[@]:1:$((CURRENT - 2))}"; do
		[[ $word == -* ]] || { _weighpost_at "${at:+$at }$word" && at="${at:+$at }$word" }
	done
	_weighpost_at "$at"
	if [[ $PREFIX == --*=* ]]; then
		before=${PREFIX%%=*}
		compset -P '*='
	fi
	if [[ $before == -* ]] && _weighpost_takes "$at" "$before"; then
		if [[ -n $folders ]]; then
			_files -/
		elif (( $#values )); then
			_describe -t values value values
		else
			_files
		fi
	elif [[ $PREFIX == -* ]]; then
		_describe -o -t flags flag flags
	elif (( $#commands )); then
		_describe -t commands command commands
	else
		_files
	fi
}
if [[ $funcstack[1] == _weighpost ]]; then
	_weighpost "$@"
else
	compdef _weighpost weighpost
fi
`

func zsh(offers []offer) string {
	var at, takes strings.Builder
	for _, o := range offers {
		fmt.Fprintf(&at, "\t%s)\n\t\tcommands=(", quoted(o.path))
		for _, c := range o.commands {
			fmt.Fprintf(&at, " %s", described(c.name, c.help))
		}
		for _, w := range o.words {
			fmt.Fprintf(&at, " %s", described(w, ""))
		}
		fmt.Fprint(&at, " )\n\t\tflags=(")
		for _, f := range o.flags {
			for _, n := range f.names {
				fmt.Fprintf(&at, " %s", described(n, f.help))
				if f.valued {
					fmt.Fprintf(&takes, "\t%s) values=( %s ) folders=%s ;;\n", quoted(o.path+" "+n), strings.Join(f.words, " "), isTrue(f.folders))
				}
			}
		}
		fmt.Fprint(&at, " )\n\t\t;;\n")
	}
	return "#compdef weighpost\n# Completion of the command line of weighpost for zsh. It was made by: weighpost completion zsh\n" +
		"_weighpost_at() { # what may follow a command; fails where there is no such command\n\tcase $1 in\n" + at.String() +
		"\t*) return 1 ;;\n\tesac\n}\n" +
		"_weighpost_takes() { # what a flag takes; fails where it takes nothing\n\tcase \"$1 $2\" in\n" + takes.String() +
		"\t*) return 1 ;;\n\tesac\n}\n" + zshWalk
}

// described is a word as _describe takes it: a colon divides it from what it means.
func described(name, help string) string {
	colons := strings.NewReplacer(`\`, `\\`, ":", `\:`)
	if help == "" {
		return quoted(colons.Replace(name))
	}
	return quoted(colons.Replace(name) + ":" + colons.Replace(help))
}
