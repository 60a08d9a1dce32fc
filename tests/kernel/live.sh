#!/bin/bash
# Live buses as captures in a real SocketCAN kernel: see guest_live.sh for what happens. What a command said of
# the live buses must be what it says of the recording made at the same time: same frames, same stamps. Exit 77
# (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") root=$(realpath "$2") no_xstate=${3:+$(realpath "$3")}
. "$(dirname "$0")/kernel.sh"
kernel_need cansend
kernel_run guest_live.sh "$no_xstate" LOOMTAP="$loomtap" ROOT="$root"
cd "$run" || exit 1

status=0
wrong() {
    echo "$1"
    status=1
}
profile=$root/signaldefs/tarn-turbo.ini
names='--bus powertrain=vcan0 --bus chassis=vcan1'
printf '%s\n' 'play 0' 'recorded 0' 'decoded 0' 'recast 0' 'survey 0' 'seek 1' 'rehearse 0' 'timed 0' 'silent 1' \
    'away 0' 'missing 4' 'no-can 4' 'two 2' 'with-file 2' 'no-bus 2' >wanted
diff wanted statuses || wrong "other exit statuses"
[ "$("$loomtap" recast recorded.pcapng --as log --quiet | wc -l)" -gt 4000 ] || wrong "too few frames were recorded"
"$loomtap" recast recorded.pcapng --as log --quiet -o recorded.log
"$loomtap" recast recast.pcapng --as log --quiet -o recast.log
cmp recorded.log recast.log || wrong "recast of the live buses is not what was recorded"
"$loomtap" decode recorded.pcapng -p "$profile" $names 2>/dev/null | cmp - decoded.out ||
    wrong "decoding the live buses is not decoding the recording"
# But for the name of the capture.
"$loomtap" survey recorded.pcapng --json 2>/dev/null | sed 's/"files": *\["[^"]*"\]//' >survey.file
sed 's/"files": *\["[^"]*"\]//' survey.out | cmp - survey.file || wrong "the survey of the live buses is another"
"$loomtap" seek recorded.pcapng --only engine_speed --json 2>/dev/null | sed 's/"files": *\["[^"]*"\]//' >seek.file
sed 's/"files": *\["[^"]*"\]//' seek.out | cmp - seek.file ||
    wrong "the search on the live buses is another"
"$loomtap" rehearse recorded.pcapng -p "$profile" $names --json 2>/dev/null | cmp - rehearse.out ||
    wrong "the rehearsal on the live buses is another"
[ "$(wc -l <timed.out)" -gt 100 ] || wrong "nothing came out before the time was over"
[ "$(cut -d' ' -f3 away.log | tr '\n' ' ')" = '101#01 202#02 103#03 ' ] || wrong "away: $(cat away.log)"
grep -q 'can:vcan0,vcan1: down or gone 1 times; back after' away.err || wrong "away: $(cat away.err)"
grep -q 'can7: no such interface' missing.err || wrong "missing: $(cat missing.err)"
grep -q 'can:can0,can1' two.err || wrong "two: $(cat two.err)"
exit $status
