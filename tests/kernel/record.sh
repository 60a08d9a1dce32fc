#!/bin/bash
# `loomtap record` in a real SocketCAN kernel, with can-utils sending: see guest_record.sh for what happens,
# record_check.py for what must have come of it. Exit 77 (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") frames=$(realpath "$2") no_xstate=${3:+$(realpath "$3")}
. "$(dirname "$0")/kernel.sh"
kernel_need cansend cangen canplayer
"$frames" list >"$run/frames" || exit 1
"$loomtap" mimic drive --duration 5 -o "$run/drive.log" --quiet || exit 1
kernel_run guest_record.sh "$no_xstate" LOOMTAP="$loomtap" RECORD_FRAMES="${RECORD_FRAMES:-20000}"

status=0
for form in log csv-all pcapng; do
    "$frames" check "$run/kinds.$form" time,fdbits,errors,sent || status=1
done
python3 "$(dirname "$0")/record_check.py" "$loomtap" "$run" "${RECORD_FRAMES:-20000}" || status=1
exit $status
