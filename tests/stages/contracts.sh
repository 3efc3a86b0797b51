# The machine-readable contract (config/contract) before peers that others
# wrote: tests/outside/npm, tests/outside/contracts.py. The packages of npm
# are pinned and fetched once; after that nothing here needs a network.
packages="$packages prometheus python3-prometheus-client"
command -v npm >/dev/null || packages="$packages nodejs npm"

npm_packages() {
    cmp -s package-lock.json node_modules/.heatgate-lock && return 0
    npm ci --ignore-scripts --no-audit --no-fund &&
        cp package-lock.json node_modules/.heatgate-lock
}

# a recording with a word that no schema knows must not pass
broken_fails() { # folder of recordings
    rm -rf "$1-broken" && mkdir "$1-broken" || return 1
    for file in "$1"/*; do
        sed 's/phase\\": *\\"idle/phase\\":\\"idel/' "$file" \
            >"$1-broken/${file##*/}"
    done
    node tests/outside/npm/check-recordings.js "$1-broken" 2>&1 |
        grep -q "FAULT state.schema.json: /phase must be equal" && return 0
    echo "check-recordings.js lets a wrong phase pass"
    return 1
}

check_contracts() {
    made="$HG_BUILD_DIR/gcc/heatgated"
    met="$HG_BUILD_DIR/recorded-contract"
    rm -rf "$met"
    HG_RECORD="$met" HG_BIN="$HG_BUILD_DIR/gcc" \
        /usr/bin/python3 tests/scenario/run.py --scenarios test_contract ||
        return 1
    # and what all scenarios said, when they ran with this very program
    [ "$HG_BUILD_DIR/recorded" -nt "$made" ] && met="$met $HG_BUILD_DIR/recorded"
    node tests/outside/npm/check-schemas.js &&
        node tests/outside/npm/check-asyncapi.js &&
        # shellcheck disable=SC2086
        node tests/outside/npm/check-recordings.js $met &&
        broken_fails "$HG_BUILD_DIR/recorded-contract" &&
        HG_BIN="$HG_BUILD_DIR/gcc" tests/outside/contracts.py things &&
        HG_BIN="$HG_BUILD_DIR/gcc" tests/outside/contracts.py metrics
}

stage_contracts() {
    install_packages && (cd tests/outside/npm && npm_packages) || return 1
    [ -x "$HG_BUILD_DIR/gcc/heatgated" ] || CC=gcc build_tree gcc || return 1
    check_contracts
}
stages="$stages contracts"
