# Everything that can happen to a small room, within bounds of time and
# memory; walks with a new seed each time. With --prove also the medium room
# and a sample of mutants.
# shellcheck shell=bash
model_explore() { # seconds, kilobytes, arguments…
    local seconds=$1 memory=$2; shift 2
    ( ulimit -v "$memory" && exec timeout "$seconds" \
        "$HG_BUILD_DIR/gcc/tests/model/explore" "$@" )
}
model_walks() { # how many; the seed is printed, so that it can be repeated
    local seed i
    seed=$(date +%s)
    for i in $(seq "$1"); do
        model_explore 120 2000000 --walk 500000 --seed $((seed + i)) &&
            model_explore 120 2000000 --compare 200000 --seed $((seed + i)) ||
            return 1
    done
}
stage_model() {
    CC=gcc cmake -S . -B "$HG_BUILD_DIR/gcc" -G Ninja -DHG_WERROR=ON &&
        ninja -C "$HG_BUILD_DIR/gcc" explore &&
        model_explore 60 2000000 &&
        model_walks 4 || return 1
    [ -z "${prove:-}" ] && return 0
    model_explore 900 8000000 --medium --max 20000000 && model_walks 20
}
stage_mutants() {
    python3 tests/mutants/run.py --sample 300 --seed "$(date +%s)"
}
stages="$stages model"
[ -n "${prove:-}" ] && stages="$stages mutants"
