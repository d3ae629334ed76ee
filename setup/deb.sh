#!/bin/sh
# Makes a Debian package of this tree, build/deb/lintel_VERSION_ARCH.deb, for machines such as this one: the face library
# is compiled for the kind of processor that it is built on. Expects CGO_LDFLAGS as setup/debian.sh says them, the
# libraries, and the model files in models/, which come along as they are licensed (CC0 and MIT).
set -eu
cd "$(dirname "$0")/.."

epoch=$(git log -1 --format=%ct 2>/dev/null || date +%s)
export SOURCE_DATE_EPOCH="${SOURCE_DATE_EPOCH:-$epoch}"
version="0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d.%H%M%S)"
arch=$(dpkg --print-architecture)
maintainer="${DEBFULLNAME:-The Lintel authors} <${DEBEMAIL:-lintel@home.arpa}>"
room=build/deb
tree=$room/lintel
umask 022
rm -rf "$tree" "$room"/*.deb
mkdir -p "$tree/DEBIAN" "$tree/usr/share/doc/lintel" "$tree/usr/share/lintel/models" "$room/debian"

go build -trimpath -buildmode=pie -ldflags='-s -w -linkmode=external -extldflags=-Wl,-z,relro,-z,now' -o "$room/program" ./cmd/lintel
"$room/program" install --root "$tree" --prefix /usr
gzip -9n "$tree/usr/share/man/man1/lintel.1"
"$room/program" version --models "${LINTEL_MODELS:-models}" | awk '$3 == "ok" && $2 !~ /\.pth$/ { print $2 }' | while read -r name; do
	install -m 644 "${LINTEL_MODELS:-models}/$name" "$tree/usr/share/lintel/models/$name"
done

# What the program is linked with, and from which version on.
cat >"$room/debian/control" <<END
Source: lintel

Package: lintel
Architecture: any
END
linked=$(cd "$room" && dpkg-shlibdeps -O lintel/usr/bin/lintel | sed 's/^shlibs:Depends=//')

cat >"$tree/DEBIAN/control" <<END
Package: lintel
Version: $version
Architecture: $arch
Maintainer: $maintainer
Installed-Size: $(du -sk --exclude=DEBIAN "$tree" | cut -f1)
Depends: $linked, systemd (>= 249)
Suggests: age
Section: net
Priority: optional
Description: server of a home-built doorbell, which says who rang
 Lintel keeps the stills that a doorbell takes when somebody rings, on this
 machine and nowhere else, says who probably rang and how sure that is, and
 shows both on a tablet. It never moves a lock.
 .
 Installing it makes a system user and a master key, and starts the server on
 this machine alone. It connects to nothing, neither when it is installed nor
 later. It runs on the kind of processor that it was built on.
END
echo /etc/lintel/lintel.conf >"$tree/DEBIAN/conffiles"
for name in postinst prerm postrm; do
	install -m 755 "setup/deb/$name" "$tree/DEBIAN/$name"
done
install -m 644 setup/deb/copyright "$tree/usr/share/doc/lintel/copyright"
{
	printf 'lintel (%s) unstable; urgency=medium\n\n' "$version"
	printf '  * %s\n' "$(git log -1 --format=%s 2>/dev/null || echo 'Built without a repository.')"
	printf '\n -- %s  %s\n' "$maintainer" "$(date -u -R -d "@$SOURCE_DATE_EPOCH")"
} | gzip -9n >"$tree/usr/share/doc/lintel/changelog.gz"
(cd "$tree" && find usr -type f -print0 | LC_ALL=C sort -z | xargs -0 md5sum) >"$tree/DEBIAN/md5sums"
find "$tree" -newermt "@$SOURCE_DATE_EPOCH" -print0 | xargs -0r touch --no-dereference --date="@$SOURCE_DATE_EPOCH"
# The models hardly get smaller: little effort is enough.
dpkg-deb --root-owner-group -z1 --build "$tree" "$room/lintel_${version}_$arch.deb"
