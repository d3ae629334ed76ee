#!/bin/sh
# Sees to the Debian packages that Lintel is built with and, with `test`, `tour` or `deb` as argument, those that it is
# tested, shown in README.md or packaged with.
# Only what is missing is installed, after saying so; if nothing is, apt is not even asked.
# With `flags` it only prints what the linker has to be told, for CGO_LDFLAGS.
set -eu
cd "$(dirname "$0")/.."

libraries="libdlib-dev libopenblas-dev libatlas-base-dev liblapack-dev libjpeg62-turbo-dev"
opinions="python3-babel python3-scipy python3-sklearn python3-sympy python3-geographiclib python3-pyzbar python3-cryptography python3-pil python3-paho-mqtt mosquitto mosquitto-clients age libjpeg-turbo-progs openssl curl strace"

say() { printf '%s\n' "$*"; }

# Debian's derivatives have other names for some of the packages.
is_debian() {
	command -v apt-get && command -v dpkg-query && grep -Eq '^ID="?(debian|raspbian)"?$' /etc/os-release
} >/dev/null

installed() {
	[ "$(dpkg-query --show --showformat='${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

links() {
	printf 'int main() {}\n' | "${CXX:-c++}" -x c++ - -o /dev/null "$@" >/dev/null 2>&1
}

# Whether a C++ compiler finds dlib and links with what package face links with.
can_build() {
	printf '#include <dlib/dnn.h>\n#include <jpeglib.h>\n' | "${CXX:-c++}" -x c++ -M - >/dev/null 2>&1 &&
		links -ldlib -lblas -llapack -ljpeg && bridge_cblas
}

# The face library asks for libcblas, which is ATLAS's. Debian has no ATLAS from version 13 on, but OpenBLAS and LAPACK
# have the same functions in libblas: where there is no libcblas, a linker script of that name leads there.
bridge_cblas() {
	if [ ! -e build/lib/libcblas.so ] && ! links -lcblas; then
		links -lblas || return
		mkdir -p build/lib
		echo 'INPUT(-lblas)' >build/lib/libcblas.so
	fi
}

has_atlas() {
	version=$(sed -n 's/^VERSION_ID="\{0,1\}\([0-9]*\).*/\1/p' /etc/os-release)
	[ "${version:-99}" -le 12 ]
}

has_browser() {
	command -v chromium || command -v chromium-browser || command -v google-chrome
} >/dev/null

elsewhere() {
	if can_build; then
		return
	fi
	say "This is not a Debian machine, and the libraries Lintel needs are not all here. Bring, under whatever names your"
	say "system has for them, a C++ compiler and"
	say "  dlib 19.24 or newer, BLAS and LAPACK with CBLAS, libjpeg-turbo"
	say "  (on Debian: $libraries)"
	say "and put these files, by name and SHA-256, into models/ (models/README.md says where they are to be had):"
	sed -n 's/^| \([^ ]*\) | [0-9]* | \([0-9a-f]\{64\}\) | \(.*\) |$/\2  \1  (\3)/p' models/README.md |
		grep -v -e 'research only' -e '\.pth' | sed 's/^/  /'
	say "Then run this again; \`build/lintel models check\` confirms the files."
	exit 1
} >&2

if [ "${1:-}" = flags ]; then
	if [ -e build/lib/libcblas.so ]; then
		say "${CGO_LDFLAGS:--O2 -g} -L$PWD/build/lib" # -O2 -g is Go's own default
	else
		say "${CGO_LDFLAGS:-}"
	fi
	exit
fi

if ! is_debian; then
	elsewhere
	exit
fi

if ! has_atlas; then
	libraries=$(say "$libraries" | sed 's/ libatlas-base-dev//')
fi
missing=
for package in ca-certificates g++ pkg-config xz-utils $libraries; do
	installed "$package" || missing="$missing $package"
done
wanted=
case ${1:-} in
test) wanted=$opinions ;;
tour) wanted=webp ;;
deb) wanted="dpkg-dev lintian" ;;
esac
for package in $wanted; do
	installed "$package" || missing="$missing $package"
done
[ -z "$wanted" ] || [ "$1" = deb ] || has_browser || missing="$missing chromium"
if [ -z "$missing" ]; then
	bridge_cblas
	exit
fi

say "Lintel needs these Debian packages, which are not installed yet:$missing"
case $missing in *chromium*) say "(chromium is for tests and pictures only: they look at the pages in a browser without a window.)" ;; esac
case $missing in *webp*) say "(webp is for the moving picture of README.md only.)" ;; esac
case $missing in *mosquitto*) say "(mosquitto-clients is for the tests only: they talk MQTT with it.)" ;; esac
case $missing in *python3*) say "(python3-… is for the tests only: they compare with what its libraries compute.)" ;; esac
as_root=
if [ "$(id -u)" != 0 ]; then
	if ! command -v sudo >/dev/null; then
		say "Only root may install them, and there is no sudo here. As root: apt-get install --no-install-recommends$missing" >&2
		exit 1
	fi
	as_root=sudo
	say "Installing them takes root's rights: sudo may ask for your password."
fi
say "Installing them now."
$as_root apt-get update || say "Going on with the package lists there are."
# shellcheck disable=SC2086 # the list is meant to be split
$as_root env DEBIAN_FRONTEND=noninteractive apt-get install --yes --no-install-recommends $missing </dev/null
bridge_cblas
