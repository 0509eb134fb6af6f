# bash completion for soakbench, made by: soakbench completion bash
_soakbench()
{
    local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD-1]}
    local first= second= words= files= i word
    for ((i = 1; i < COMP_CWORD; i++)); do
        word=${COMP_WORDS[i]}
        case $word in
        --socket | --config | --journal) ((i++)) ;;
        -*) ;;
        *) if [[ -z $first ]]; then first=$word; elif [[ -z $second ]]; then second=$word; fi ;;
        esac
    done
    case $first in
    "") words="status unit rig rigged run reset continue note watchdog notify uplink morning use attach record export replay journal verify check probe config calc completion" ;;
    unit) [[ -z $second ]] && words=" add import list show history inspect release set-baseline" || first="$first $second" ;;
    run) [[ -z $second ]] && words=" plan start queue queued unqueue set end release watch list show rejudge" || first="$first $second" ;;
    watchdog) [[ -z $second ]] && words=" prove" || first="$first $second" ;;
    notify) [[ -z $second ]] && words=" test acknowledge" || first="$first $second" ;;
    uplink) [[ -z $second ]] && words=" resend" || first="$first $second" ;;
    journal) [[ -z $second ]] && words=" check backup unpack" || first="$first $second" ;;
    config) [[ -z $second ]] && words=" reference" || first="$first $second" ;;
    calc) [[ -z $second ]] && words=" load cycle heat supply lead sensor decision" || first="$first $second" ;;
    esac
    case $first in
    "status")
        words="--figures --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit add")
        words="--unit --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "unit import")
        words="--columns --check-only --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "unit list")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit show")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit history")
        words="--limit --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit inspect")
        words="--passed --failed --who --kind --reference --done --due --note --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit release")
        words="--to --run --due --note --who --tag --socket --config --journal --json --help --version"
        case "$previous" in
        --to) words="hire service quarantine" ;;
        --tag) words=; files=yes ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "unit set-baseline")
        words="--run --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "rig")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "rigged")
        words="--unit --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run plan")
        words="--unit --plate --point --procedure --cycles --soak --to-equilibrium --soak-cap --go-on-after-cutout --cap --repeats --currents --rest --start --strike --setting --heated-intake --control-at-maximum --consent-past-rating --unattended --together --resistance --u0 --accept --who --confirm-setup --watch --socket --config --journal --json --help --version"
        case "$previous" in
        --plate) words=; files=yes ;;
        --procedure) words="screen proof soak to-cutout survey" ;;
        --start) words="unknown cold warm" ;;
        --strike) words="by-unit use none" ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run start")
        words="--unit --plate --point --procedure --cycles --soak --to-equilibrium --soak-cap --go-on-after-cutout --cap --repeats --currents --rest --start --strike --setting --heated-intake --control-at-maximum --consent-past-rating --unattended --together --resistance --u0 --accept --who --confirm-setup --watch --socket --config --journal --json --help --version"
        case "$previous" in
        --plate) words=; files=yes ;;
        --procedure) words="screen proof soak to-cutout survey" ;;
        --start) words="unknown cold warm" ;;
        --strike) words="by-unit use none" ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run queue")
        words="--unit --plate --point --procedure --cycles --soak --to-equilibrium --soak-cap --go-on-after-cutout --cap --repeats --currents --rest --start --strike --setting --heated-intake --control-at-maximum --consent-past-rating --unattended --together --resistance --u0 --accept --who --confirm-setup --watch --socket --config --journal --json --help --version"
        case "$previous" in
        --plate) words=; files=yes ;;
        --procedure) words="screen proof soak to-cutout survey" ;;
        --start) words="unknown cold warm" ;;
        --strike) words="by-unit use none" ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run queued")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run unqueue")
        words="--reason --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run set")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run end")
        words="--reason --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run release")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run watch")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run list")
        words="--unit --channel --verdict --since --until --instrument --open --limit --socket --config --journal --json --help --version"
        case "$previous" in
        --verdict) words="met not-met undecided held" ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run show")
        words="--brief --events --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "run rejudge")
        words="--correct --reason --who --try --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "reset")
        words="--reason --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "continue")
        words="--reason --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "note")
        words="--text --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "watchdog prove")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "notify test")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "notify acknowledge")
        words="--who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "uplink resend")
        words="--since --store --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "morning")
        words="--since --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "use")
        words="--since --until --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "attach")
        words="--note --who --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "record")
        words="--pdf --svg --png --customer --job --approver --remark --received --as-found --as-left --socket --config --journal --json --help --version"
        case "$previous" in
        --pdf) words=; files=yes ;;
        --svg) words=; files=yes ;;
        --png) words=; files=yes ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "export")
        words="--to --as --socket --config --journal --json --help --version"
        case "$previous" in
        --to) words=; files=yes ;;
        --as) words="csv line-protocol" ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "replay")
        words="--rules --time --time-format --column --separator --decimal-comma --encoding --skip-lines --no-headings --units-row --local-time --stamp-half-width --gap --from --until --unit --plate --point --process --current --percent-on --voltage --supply --output --procedure --cycles --soak --to-equilibrium --go-on-after-cutout --repeats --start --load-held --heated-intake --control-at-maximum --confirm-setup --intake --altitude --circuit --svg --png --socket --config --journal --json --help --version"
        case "$previous" in
        --rules) words=; files=yes ;;
        --separator) words="comma semicolon tab" ;;
        --encoding) words="utf-8 latin-1 utf-16" ;;
        --plate) words=; files=yes ;;
        --output) words="dc ac" ;;
        --procedure) words="screen proof soak to-cutout" ;;
        --start) words="unknown cold warm" ;;
        --svg) words=; files=yes ;;
        --png) words=; files=yes ;;
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "journal check")
        words="--head --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "journal backup")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "journal unpack")
        words="--to --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "verify")
        words="--head --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "check")
        words="--unit --print --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "probe")
        words="--device --repeat --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "config reference")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "calc load")
        words="--process --current --plate-voltage --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "calc cycle")
        words="--current --percent-on --process --voltage --expanded-uncertainty --cycle --refresh --averaging --damping --gap --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "calc heat")
        words="--intake --noise --limit --cutout-seen --limit-u --ambient --ambient-u --current-ratio --cycle --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        [[ $current != -* ]] && files=yes
        ;;
    "calc supply")
        words="--i1 --i0 --percent-on --output --efficiency --power-factor --supply --phases --loop --breaker --standard --curve --cycle --cycles --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "calc lead")
        words="--current --percent-on --at-percent-on --at-current --rated-current --rated-percent-on --area --length --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "calc sensor")
        words="--type --emf-mv --resistance-ohm --temperature-degc --cold-junction-degc --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "calc decision")
        words="--measured --expanded-uncertainty --at-least --coverage-factor --guard --fleet-mean --fleet-sd --socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    "completion")
        words="--socket --config --journal --json --help --version"
        case "$previous" in
        --socket | --config | --journal) words=; files=yes ;;
        esac
        ;;
    esac
    COMPREPLY=($(compgen -W "$words" -- "$current"))
    [[ -n $files ]] && COMPREPLY+=($(compgen -f -- "$current"))
}
complete -o filenames -F _soakbench soakbench
