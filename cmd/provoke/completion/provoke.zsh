#compdef provoke
# Completion of provoke for zsh. The words come from the program itself.
_provoke() {
	local kind line
	local -a lines shown
	lines=("${(@f)$(${~words[1]} complete -- "${(@)words[2,CURRENT-1]}" "=$PREFIX" 2>/dev/null)}")
	kind=$lines[1]
	shift lines
	compset -P '--*='
	case $kind in
	words)
		for line in $lines; do
			line=${line//:/\\:}
			shown+=("${line/$'\t'/:}")
		done
		_describe -V provoke shown
		;;
	folders) _files -/ ;;
	files) _files ;;
	files\ *) _files -g "*${kind#files }" ;;
	esac
}
if [ "$funcstack[1]" = _provoke ]; then _provoke; else compdef _provoke provoke; fi
