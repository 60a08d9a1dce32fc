#!/bin/bash
# `loomtap watch` in a real SocketCAN kernel while the invented car plays: see guest_watch.sh. Exit 77
# (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") no_xstate=${2:+$(realpath "$2")}
. "$(dirname "$0")/kernel.sh"
profile=$kernel_here/../../signaldefs/tarn-turbo.ini
profile=$(realpath "$profile")
kernel_need python3
"$loomtap" mimic drive --duration 5 -o "$run/car.log" --quiet || exit 1
kernel_run guest_watch.sh "$no_xstate" LOOMTAP="$loomtap" PROFILE="$profile"

status=0
fault() {
    echo "failed: $1"
    status=1
}
# What was seen live is what the recording of the same moments decodes to, to the nanosecond.
plain() { # rows without a head, times without the zeros behind them
    sed '1d; s/^\([0-9]*\.[0-9]*[1-9]\)0*,/\1,/' "$1" | sort
}
"$loomtap" decode "$run/drive.pcapng" -p "$profile" --bus powertrain=vcan0,chassis=vcan1 --quiet >"$run/decoded.csv"
plain "$run/decoded.csv" >"$run/decoded"
plain "$run/seen.csv" >"$run/seen"
[ "$(head -1 "$run/seen.csv")" = "time_s,bus,frame,signal,value,unit,label" ] || fault "the head of the log"
[ "$(wc -l <"$run/seen")" -gt 5000 ] || fault "only $(wc -l <"$run/seen") rows were seen"
diff "$run/decoded" "$run/seen" >"$run/difference" || fault "other rows: $(head -5 "$run/difference")"

grep -q '^engine$' "$run/last.txt" || fault "no heading"
grep -q '^engine_speed .* rpm  *lost' "$run/last.txt" || fault "after the drive: $(grep '^engine_speed' "$run/last.txt")"
for expected in "record 0" "watch 0" "terminal 0" "missing 4" "silent 1" "no-bus 2" "log-there 4" "down 1" "log-full 4"; do
    grep -qx "$expected" "$run/statuses" || fault "exit status: $expected, but $(grep "^${expected% *} " "$run/statuses")"
done
grep -q 'can7' "$run/missing.err" || fault "the missing bus is not named"
grep -q 'vcan0 vcan1 (down)' "$run/down.txt" || fault "a bus that is down is not said: $(head -1 "$run/down.txt")"
grep -q '^LOG FAILED ' "$run/full.txt" || fault "a log that fails is not said: $(head -1 "$run/full.txt")"
grep -q 'no frame of the profiles came' "$run/silent.err" || fault "silence is not said"
exit $status
