# Faults under a running heat, two at a time: tests/fault. They need root:
# strace, mount and network namespaces, a faked wall clock.
packages="$packages strace libfaketime nftables iproute2 util-linux procps"
stage_faults() { run_scenarios gcc --faults; }
stages="$stages faults"
