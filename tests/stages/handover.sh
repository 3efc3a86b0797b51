# The hand-over sheet printed by a browser, as a person would.
stage_handover() {
    dpkg-query -W -f='${Status}' chromium 2>/dev/null |
        grep -q 'install ok installed' ||
        { apt-get update -q && DEBIAN_FRONTEND=noninteractive \
            apt-get install -q -y --no-install-recommends chromium; } ||
        return 1
    HG_CHROMIUM=1 HG_BIN="$HG_BUILD_DIR/gcc" /usr/bin/python3 \
        tests/scenario/run.py test_commission__from
}
stages="$stages handover"
