#!/bin/bash
# Live buses as captures in a real SocketCAN kernel: see guest_live.sh for what happens. What a command said of
# the live buses must be what it says of the recording made at the same time: same frames, same stamps. Exit 77
# (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") root=$(realpath "$2") no_xstate=${3:+$(realpath "$3")}
. "$(dirname "$0")/kernel.sh"
kernel_need cansend
"$loomtap" mimic drive --duration 10 -o "$run/drive.log" --quiet || exit 1
kernel_run guest_live.sh "$no_xstate" LOOMTAP="$loomtap" ROOT="$root"
cd "$run" || exit 1

status=0
wrong() {
    echo "$1"
    status=1
}
profile=$root/signaldefs/tarn-turbo.ini
names='--bus powertrain=vcan0 --bus chassis=vcan1'
printf '%s\n' 'play 0' 'recorded 0' 'decoded 0' 'recast 0' 'survey 0' 'rehearse 0' 'timed 0' 'silent 1' \
    'away 0' 'missing 4' 'no-can 4' 'two 2' 'with-file 2' 'no-bus 2' >wanted
grep -v seek statuses | diff wanted - || wrong "other exit statuses"
# Each frame of each bus, in order. Between the buses a machine that stands still can deliver out of order, and
# to one socket sooner than to another.
frames() { "$loomtap" recast "$1" --as log --digits 9 --quiet | sort -s -k2,2; }
frames recorded.pcapng >recorded.frames
frames recast.pcapng >recast.frames
[ "$(wc -l <recorded.frames)" -eq "$(wc -l <drive.log)" ] || wrong "not every frame was recorded"
cmp recorded.frames recast.frames || wrong "recast of the live buses is not what was recorded"
# A file may have written a time with fewer zeros behind it.
rows() { sed -E 's/^([0-9]+\.[0-9]*[1-9])0+,/\1,/' | sort; }
"$loomtap" decode recorded.pcapng -p "$profile" $names 2>/dev/null | rows >decode.file
rows <decoded.out | cmp - decode.file || wrong "decoding the live buses is not decoding the recording"
facts='
import json, sys
survey, seek, rehearse = (json.load(open(sys.argv[1] + name)) for name in ("survey", "seek", "rehearse"))
for frame in sorted(survey["frames"], key=lambda frame: (frame["bus"], frame["id"], frame["length"])):
    print(frame["bus"], frame["id"], frame["length"], frame["count"], frame["period_ms"])
print(survey["capture"]["frames"], [(target["target"], target["verdict"]) for target in seek["targets"]])
print([(event["warning"], event["change"], event["cause"]) for event in rehearse["events"]])
'
"$loomtap" survey recorded.pcapng --json >file.survey 2>/dev/null
"$loomtap" seek recorded.pcapng --only engine_speed --json >file.seek 2>/dev/null
"$loomtap" rehearse recorded.pcapng -p "$profile" $names --json >file.rehearse 2>/dev/null
for name in survey seek rehearse; do mv $name.out live.$name; done
python3 -c "$facts" file. >file.facts
python3 -c "$facts" live. >live.facts
[ "$(wc -l <file.facts)" -gt 10 ] || wrong "no facts"
diff file.facts live.facts || wrong "what was found on the live buses is not what is in the recording"
[ "$(wc -l <timed.out)" -gt 100 ] || wrong "nothing came out before the time was over"
[ "$(cut -d' ' -f3 away.log | tr '\n' ' ')" = '101#01 202#02 103#03 ' ] || wrong "away: $(cat away.log)"
grep -q 'can:vcan0,vcan1: down or gone 1 times; back after' away.err || wrong "away: $(cat away.err)"
grep -q 'can7: no such interface' missing.err || wrong "missing: $(cat missing.err)"
grep -q 'can:can0,can1' two.err || wrong "two: $(cat two.err)"
exit $status
