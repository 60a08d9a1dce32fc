#!/bin/bash
# What the real candump writes, read back frame for frame. Boots a Linux kernel as an ordinary
# program (user-mode-linux) with SocketCAN in it, sends known and random frames over a virtual bus
# and records them with candump in log form and in every variant of the screen form.
# Exit 77 (skipped) where user-mode-linux or can-utils are missing or the kernel cannot start.
set -u
frames=$1
no_xstate=${2:-}
here=$(cd "$(dirname "$0")" && pwd)

skip() {
    echo "skipped: $1"
    exit 77
}
for program in linux.uml candump cansend cangen ip insmod; do
    PATH=$PATH:/usr/sbin:/sbin command -v "$program" >/dev/null || skip "$program is not installed"
done
ls /usr/lib/uml/modules/*/kernel/net/can/can-raw.ko >/dev/null 2>&1 || skip "user-mode-linux has no SocketCAN modules"
[ "$(id -u)" -eq 0 ] || skip "the guest's root is the host's files: needs root to make its devices"

run=$(mktemp -d) || exit 1
trap '[ -n "${LOOMTAP_KEEP:-}" ] || rm -rf "$run"' EXIT
"$frames" list >"$run/frames" || exit 1

# The kernel passes NAME=value words of its command line on to the first process.
boot() { # library to preload, more words
    TMPDIR=$run LD_PRELOAD=$1 timeout 220 linux.uml mem=256M rootfstype=hostfs rootflags=/ rw \
        init="$here/guest.sh" LOOMTAP_RUN="$run" "${@:2}" uml_dir="$run/" con=null con0=fd:0,fd:1 quiet \
        </dev/null >"$run/console" 2>&1
}
boot "" 2>/dev/null
# See no_xstate.c. Only the FXSAVE area then survives a page fault, so the guest's C library must
# keep away from the wide registers.
[ -f "$run/guest.log" ] || [ -z "$no_xstate" ] || boot "$no_xstate" \
    GLIBC_TUNABLES=glibc.cpu.hwcaps=-AVX,-AVX2,-AVX512F,-AVX512VL,-AVX512BW,-XSAVE,-XSAVEC 2>/dev/null
if [ ! -f "$run/guest.log" ]; then
    head -5 "$run/console"
    skip "user-mode-linux does not start on this machine"
fi
if [ ! -f "$run/finished" ]; then
    cat "$run/guest.log"
    echo "failed: the guest did not come to its end"
    exit 1
fi
cat "$run/guest.log"

status=0
note() { "$@" || status=1; }
while read -r name kept; do
    note "$frames" check "$run/$name.table" "$kept"
done <"$run/variants.table"
for file in "$run"/written/candump-*.log; do
    note "$frames" check "$file" "time,fdbits,errors,$(cat "$run/keeps_dlc" 2>/dev/null)"
done
while read -r name kept; do
    note "$frames" same "$run/log.random" "$run/$name.random" "$kept"
done <"$run/variants.random"
for bus in vcan1 longname_vcan2; do
    note "$frames" same "$run/wide.log" "$run/wide.screen" time,exact "$bus"
done
note "$frames" same "$run/all.log" "$run/all.screen" time
# The two kinds of text about one recording carry the very same times.
note "$frames" same "$run/log.table" "$run/screen-a.table" time,exact
exit $status
