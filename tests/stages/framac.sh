# shellcheck shell=bash
# Frama-C over the gate: EVA and WP; only with --prove.
stage_framac() {
    command -v frama-c >/dev/null && command -v cvc4 >/dev/null &&
        command -v z3 >/dev/null ||
        { apt-get update -q && DEBIAN_FRONTEND=noninteractive \
            apt-get install -q -y --no-install-recommends \
            frama-c-base why3 z3 cvc4; } || return 1
    # finds the provers; writes ~/.why3.conf
    why3 config detect || return 1
    tests/proof/run "$HG_BUILD_DIR/proof"
}
# shellcheck disable=SC2154
[ -n "$prove" ] && stages="$stages framac"
