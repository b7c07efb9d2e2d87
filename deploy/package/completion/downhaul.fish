# The tool itself says what may come next.
function __complete_downhaul
    set -lx COMP_LINE (commandline -cp)
    test -z (commandline -ct)
    and set COMP_LINE "$COMP_LINE "
    downhaul
end
complete -c downhaul -a "(__complete_downhaul)"
