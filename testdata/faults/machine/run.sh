#!/usr/bin/env bash
# Runs weighpost in an emulated computer with a kernel of its own, for the faults that no test may bring about on the computer
# that it runs on: USB adapters pulled out and plugged in, a clock that somebody sets, a disk whose errors heal. It is not part
# of .ci/run, for it takes some ten minutes.
#
#   testdata/faults/machine/run.sh [FOLDER]      # FOLDER keeps the kernel for the next time
#
# It runs on Debian, as any user who can read the packages' files; qemu needs no right of its own. What is missing is said:
#   apt-get install qemu-system-x86 busybox-static dmsetup udev e2fsprogs
# The kernel is fetched as a package of the distribution and unpacked, not installed. The exit status is the tests'.
set -euo pipefail
cd "$(dirname "$0")/../../.."
at=${1:-$(mktemp -d)}
mkdir -p "$at"
at=$(cd "$at" && pwd)
for program in qemu-system-x86_64 busybox dmsetup udevadm mkfs.ext4 dpkg apt-get; do
	command -v "$program" >/dev/null || { echo "$program is missing: see the top of $0" >&2; exit 1; }
done
if ! compgen -G "$at/boot/vmlinuz-*" >/dev/null; then
	image=$(apt-cache depends linux-image-amd64 | sed -nE 's/ *Depends: (linux-image-[^ ]+)/\1/p' | head -n 1)
	(cd "$at" && timeout 600 apt-get download -qq "$image" && dpkg -x "$image"_*.deb . && rm "$image"_*.deb)
fi
[ $# -gt 0 ] || trap 'rm -rf "$at"' EXIT
WEIGHPOST_MACHINE=$at WEIGHPOST_LONG=1 timeout 3600 go test ./cmd/weighpost/machine -count=1 -v -timeout 55m
