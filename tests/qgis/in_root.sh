#!/bin/sh
# Runs tests/qgis with the QGIS of another Debian, which lies in a folder of its own:
#
#     sudo tests/qgis/in_root.sh ROOT [options of pytest]
#
# ROOT is such a folder. It is made once, 2 GB, as root:
#
#     debootstrap trixie ROOT
#     mount --bind /proc ROOT/proc
#     mount --bind /dev ROOT/dev
#     chroot ROOT apt-get install -y --no-install-recommends qgis python3-qgis python3-venv gdal-bin
set -eu
PATH=$PATH:/usr/sbin:/sbin
[ $# -ge 1 ] || { sed -n '2,11s/^# \{0,1\}//p' "$0"; exit 2; }
root=$1
shift
here=$(cd "$(dirname "$0")/../.." && pwd)
inside=/opt/slopekit
# What is set for the programs outside would lead those inside astray.
in_root() { chroot "$root" env -u PYTHONPATH -u VIRTUAL_ENV HOME=/root LANG=C.UTF-8 PATH=/usr/sbin:/usr/bin:/sbin:/bin "$@"; }

[ -x "$root/usr/bin/qgis_process.bin" ] || { echo "$root: there is no QGIS in it; see the head of this script."; exit 2; }
[ -d "$root/proc/self" ] || { echo "$root: /proc is not mounted there; see the head of this script."; exit 2; }
# The checkout as it is, with what is not committed.
rm -rf "$root$inside"
mkdir -p "$root$inside"
(cd "$here" && git ls-files -z --cached --others --exclude-standard | tar -c --null -T - --ignore-failed-read) |
  tar -x -C "$root$inside"
[ -x "$root$inside-venv/bin/pip" ] || in_root python3 -m venv "$inside-venv"
in_root "$inside-venv/bin/pip" install -q -c "$inside/constraints.txt" -e "$inside[test,page,points,stac]"
in_root sh -c 'QT_QPA_PLATFORM=offscreen qgis_process.bin --version 2>/dev/null | head -n 1'
in_root sh -c "cd $inside && exec $inside-venv/bin/pytest tests/qgis \"\$@\"" pytest -n 0 -p no:cacheprovider "$@"
