# The tool itself says what may come next.
complete -o default -C downhaul downhaul
