# The Debian package: built, looked at by lintian, and lived with in a
# copy-on-write view of this machine. By hand with --fresh: in a new Debian.
packages="$packages dpkg-dev file lintian python3-seccomp systemd util-linux
  iproute2"
stage_package() { CC=gcc tests/outside/deb "$HG_BUILD_DIR/deb"; }
stages="$stages package"
