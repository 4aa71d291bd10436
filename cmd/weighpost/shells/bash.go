package shells

import (
	"fmt"
	"strings"
)

// bashWalk needs nothing but bash itself, from 3.2 on: the package bash-completion need not be there. Bash splits at "=", so that
// --config=FILE comes as three words.
const bashWalk = `_weighpost() {
	local current=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} at='' i word
	local commands='' flags='' words='' values='' folders=''
	if [[ $current == '=' ]]; then
		current=''
	elif [[ $before == '=' ]] && ((COMP_CWORD > 1)); then
		before=${COMP_WORDS[COMP_CWORD - 2]}
	fi
	_weighpost_at ''
	for ((i = 1; i < COMP_CWORD; i++)); do
		word=${COMP_WORDS[i]}
		[[ $word == -* ]] || { _weighpost_at "${at:+$at }$word" && at="${at:+$at }$word"; }
	done
	_weighpost_at "$at"
	COMPREPLY=()
	if _weighpost_takes "$at" "$before"; then
		if [[ -n $folders ]]; then
			while IFS= read -r word; do COMPREPLY+=("$word"); done < <(compgen -d -- "$current")
			return
		fi
		words=$values
	elif [[ $current == -* ]]; then
		words=$flags
	else
		words="$commands $words"
	fi
	while IFS= read -r word; do COMPREPLY+=("$word"); done < <(compgen -W "$words" -- "$current")
}
complete -o bashdefault -o default -F _weighpost weighpost
`

func bash(offers []offer) string {
	var at, takes strings.Builder
	for _, o := range offers {
		var commands, flags []string
		for _, c := range o.commands {
			commands = append(commands, c.name)
		}
		for _, f := range o.flags {
			flags = append(flags, f.names...)
			if f.valued {
				for _, n := range f.names {
					fmt.Fprintf(&takes, "\t%s) values=%s folders=%s ;;\n", quoted(o.path+" "+n), quoted(strings.Join(f.words, " ")), isTrue(f.folders))
				}
			}
		}
		fmt.Fprintf(&at, "\t%s) commands=%s flags=%s words=%s ;;\n", quoted(o.path), quoted(strings.Join(commands, " ")),
			quoted(strings.Join(flags, " ")), quoted(strings.Join(o.words, " ")))
	}
	return "# Completion of the command line of weighpost for bash. It was made by: weighpost completion bash\n" +
		"# shellcheck shell=bash disable=SC2034\n" +
		"_weighpost_at() { # what may follow a command; fails where there is no such command\n\tcase $1 in\n" + at.String() +
		"\t*) return 1 ;;\n\tesac\n}\n" +
		"_weighpost_takes() { # what a flag takes; fails where it takes nothing\n\tcase \"$1 $2\" in\n" + takes.String() +
		"\t*) return 1 ;;\n\tesac\n}\n" + bashWalk
}

func isTrue(is bool) string {
	if is {
		return "yes"
	}
	return "''"
}
