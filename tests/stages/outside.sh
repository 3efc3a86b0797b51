# The running gateway judged by other people's programs: tests/outside.
# shellcheck shell=bash
packages="$packages python3-prometheus-client python3-wsproto sslscan
  slowhttptest"
stage_outside() { run_scenarios gcc --outside; }
stages="$stages outside"
