# Completion of bash for heatgate. Verbs and options are asked of the program
# itself (heatgate help), so that they are always those of this version; rooms
# of the service, when it may be asked.

# The verbs of the list: lines of two blanks, one or two words, two blanks.
_heatgate_verbs()
{
    "$1" help 2>/dev/null |
        sed -n 's/^  \([a-z]\{1,\}\( [a-z]\{1,\}\)\{0,1\}\)  .*/\1/p'
}

# Those of the usage and of the list below it; the sentences between may name
# options of other verbs.
_heatgate_options()
{
    local program=$1
    shift
    "$program" help "$@" 2>/dev/null |
        sed -n '/^usage:/,/^$/p; /^  --/p; /^  heatgate /p' |
        grep -oE -- '--[a-z]+(-[a-z]+)*'
    printf '%s\n' --json --socket --help
}

_heatgate_rooms()
{
    timeout 2 "$@" --json rooms 2>/dev/null |
        grep -oE '"room": ?"[a-z0-9-]+"' | sed 's/.*"\([^"]*\)"$/\1/'
}

_heatgate()
{
    local program=${COMP_WORDS[0]} current=${COMP_WORDS[COMP_CWORD]}
    local previous=${COMP_WORDS[COMP_CWORD-1]} verbs first= verb= words= i
    local -a ask=("$program")

    # an "=" is a word of its own to bash
    [ "$current" = "=" ] && current=
    [ "$previous" = "=" ] && previous=${COMP_WORDS[COMP_CWORD-2]}
    COMPREPLY=()
    verbs=$(_heatgate_verbs "$program")
    for ((i = 1; i < COMP_CWORD; i++)); do
        case ${COMP_WORDS[i]} in
        --socket)
            ((i++))
            [ "${COMP_WORDS[i]}" = "=" ] && ((i++))
            ask+=(--socket "${COMP_WORDS[i]}") ;;
        -*|=) ;;
        *)
            if [ -z "$first" ]; then
                first=${COMP_WORDS[i]}
                [ "$first" = help ] && first=
            elif [ -z "$verb" ] &&
                grep -qxF -- "$first ${COMP_WORDS[i]}" <<<"$verbs"; then
                verb="$first ${COMP_WORDS[i]}"
            fi ;;
        esac
    done
    if [ -z "$verb" ] && grep -qxF -- "$first" <<<"$verbs"; then
        verb=$first
    fi

    case $previous in
    --room|--binding) words=$(_heatgate_rooms "${ask[@]}") ;;
    --role) words="manager integrator caretaker" ;;
    --until)
        [ "$verb" = watch ] && words="idle planned heating holding locked" ;;
    --socket|--out|--head|--answers|--card)
        mapfile -t COMPREPLY < <(compgen -f -- "$current")
        compopt -o filenames 2>/dev/null
        return ;;
    --state-dir|--cards)
        mapfile -t COMPREPLY < <(compgen -d -- "$current")
        compopt -o filenames 2>/dev/null
        return ;;
    --target|--for|--ready-by|--from|--stay|--label|--note|--after|--limit|\
    --wait|--place-code|--address|--code)
        return ;;
    *)
        case $verb,$current in
        *,-*)
            # shellcheck disable=SC2086
            words=$(_heatgate_options "$program" $verb) ;;
        ,*)
            if [ -z "$first" ]; then
                words="$(cut -d' ' -f1 <<<"$verbs") help"
            else
                words=$(sed -n "s/^$first //p" <<<"$verbs")
            fi ;;
        watch,*|check,*|heat,*|stop,*|lockout\ *,*|commission,*|handover,*|\
        guest\ card,*)
            words=$(_heatgate_rooms "${ask[@]}") ;;
        output,*)
            case $previous in
            output) words=$(_heatgate_rooms "${ask[@]}") ;;
            light|fan) words="on off" ;;
            *) words="light fan" ;;
            esac ;;
        "journal verify",*)
            mapfile -t COMPREPLY < <(compgen -d -- "$current")
            compopt -o filenames 2>/dev/null
            return ;;
        esac ;;
    esac
    mapfile -t COMPREPLY < <(compgen -W "$words" -- "$current" | sort -u)
}

complete -F _heatgate heatgate
