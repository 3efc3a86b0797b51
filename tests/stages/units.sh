# Units, user, folders, rotation, manual pages and completion by the tools
# that read them; the gateway under the unit's system call filter.
packages="$packages systemd python3-seccomp mandoc man-db util-linux"
stage_units() {
    CC=gcc build_tree gcc &&
        HG_BIN="$HG_BUILD_DIR/gcc" tests/outside/test-deployment
}
stages="$stages units"
