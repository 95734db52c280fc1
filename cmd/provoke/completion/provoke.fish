# Completion of provoke for fish. The words come from the program itself.
function __provoke_complete
    set -l before (commandline -opc)
    set -l cur (commandline -ct)
    set -l lines ($before[1] complete -- $before[2..-1] "=$cur" 2>/dev/null)
    set -l flag (string match -r -- '^--[^=]*=' $cur; or echo '')
    set -l cur (string replace -r -- '^--[^=]*=' '' $cur)
    switch "$lines[1]"
        case words
            printf '%s\n' $flag$lines[2..-1]
        case folders
            printf '%s\n' $flag(__fish_complete_directories $cur)
        case files
            printf '%s\n' $flag(__fish_complete_path $cur)
        case 'files *'
            set -l ending (string escape --style=regex -- (string sub -s 7 -- $lines[1]))
            printf '%s\n' $flag(__fish_complete_path $cur | string match -r -- ".*(?:/|$ending)(?:\t.*)?\$")
    end
end
complete -c provoke -f -k -a '(__provoke_complete)'
