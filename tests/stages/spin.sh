# shellcheck shell=bash
# SPIN over the gate and the explorer's world; only with --prove.
stage_spin() {
    command -v spin >/dev/null ||
        { apt-get update -q && DEBIAN_FRONTEND=noninteractive \
            apt-get install -q -y --no-install-recommends spin; } || return 1
    tests/model/spin/run "$HG_BUILD_DIR/spin"
}
# shellcheck disable=SC2154
[ -n "$prove" ] && stages="$stages spin"
