# Every branch of the gate is taken, both ways, by its unit tests.
# shellcheck shell=bash
coverage_branches() { # build tree: prints the gate's branches that are missed
    local tree=$1 test objects=
    rm -f "$tree"/gate-*.profraw
    for test in "$tree"/tests/test_gate_*; do
        [ -x "$test" ] && [ -f "$test" ] || continue
        LLVM_PROFILE_FILE="$tree/gate-$(basename "$test").profraw" \
            "$test" >"$tree/coverage-test.log" 2>&1 ||
            { cat "$tree/coverage-test.log"; return 1; }
        objects="$objects -object $test"
    done
    [ -n "$objects" ] || { echo "no tests of the gate"; return 1; }
    llvm-profdata-14 merge -o "$tree/gate.profdata" "$tree"/gate-*.profraw &&
        llvm-cov-14 export -instr-profile "$tree/gate.profdata" \
            ${objects# -object} "$top/src/gate" >"$tree/gate-coverage.json" &&
        python3 tests/stages/coverage.py "$tree/gate-coverage.json"
}
stage_coverage() {
    local tree="$HG_BUILD_DIR/coverage" targets
    CC=clang-14 cmake -S . -B "$tree" -G Ninja -DCMAKE_BUILD_TYPE=Debug \
        -DHG_COVERAGE=ON -DHG_WERROR=ON || return 1
    targets=$(cd tests/unit && ls test_gate_*.c | sed 's/\.c$//')
    # shellcheck disable=SC2086
    ninja -C "$tree" $targets && coverage_branches "$tree"
}
stages="$stages coverage"
