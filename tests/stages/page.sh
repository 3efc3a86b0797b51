# The page for phones in a real browser: tests/page. Pictures of every view go
# to the build folder. npm's packages are pinned and fetched once.
# shellcheck shell=bash
packages="$packages chromium fonts-dejavu-core"
command -v npm >/dev/null || packages="$packages nodejs npm"

page_packages() {
    cmp -s package-lock.json node_modules/.heatgate-lock && return 0
    npm ci --ignore-scripts --no-audit --no-fund &&
        cp package-lock.json node_modules/.heatgate-lock
}

stage_page() {
    install_packages && (cd tests/page && page_packages) || return 1
    [ -x "$HG_BUILD_DIR/gcc/heatgated" ] || CC=gcc build_tree gcc || return 1
    run_scenarios gcc --page
}
stages="$stages page"
