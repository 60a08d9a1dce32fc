#!/bin/bash
# What the real candump writes, read back frame for frame. Boots a Linux kernel as an ordinary
# program (user-mode-linux) with SocketCAN in it, sends known and random frames over a virtual bus
# and records them with candump in log form and in every variant of the screen form.
# Exit 77 (skipped) where user-mode-linux or can-utils are missing or the kernel cannot start.
set -u
frames=$1
. "$(dirname "$0")/kernel.sh"
kernel_need candump cansend cangen
"$frames" list >"$run/frames" || exit 1
kernel_run guest_candump.sh "${2:-}"

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
