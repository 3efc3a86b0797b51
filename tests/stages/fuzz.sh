# Fuzzers of every parser and of the gate: tests/fuzz/run.
stage_fuzz() { HG_BUILD_DIR="$HG_BUILD_DIR" tests/fuzz/run; }
stages="$stages fuzz"
