# Completion of provoke for bash. The words come from the program itself.
_provoke() {
	local lines kind i cur=${COMP_WORDS[COMP_CWORD]}
	mapfile -t lines < <("${COMP_WORDS[0]/#\~/$HOME}" complete -- "${COMP_WORDS[@]:1:COMP_CWORD-1}" "=$cur" 2>/dev/null)
	kind=${lines[0]}
	lines=("${lines[@]:1}")
	[ "$cur" != = ] || cur=
	COMPREPLY=()
	case $kind in
	words)
		for ((i = 0; i < ${#lines[@]}; i++)); do
			# What a word means is shown in a list of them and never put into the line.
			if [[ ${#lines[@]} -gt 1 && ( $COMP_TYPE = 63 || $COMP_TYPE = 33 ) ]]; then
				printf -v lines[i] '%-24s %s' "${lines[i]%%$'\t'*}" "${lines[i]#*$'\t'}"
				COMPREPLY+=("${lines[i]:0:${COLUMNS:-80}-2}")
			else
				COMPREPLY+=("${lines[i]%%$'\t'*}")
			fi
		done
		;;
	folders)
		compopt -o filenames
		mapfile -t COMPREPLY < <(compgen -d -- "$cur")
		;;
	files)
		compopt -o default
		;;
	files\ *)
		compopt -o filenames
		mapfile -t COMPREPLY < <(compgen -d -- "$cur"; compgen -f -X "!*${kind#files }" -- "$cur")
		;;
	esac
}
complete -o nosort -F _provoke provoke
