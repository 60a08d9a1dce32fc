#!/bin/sh
# Runs as the first process of the guest kernel (see attach.sh): `loomtap attach` on a serial adapter behind
# which slcan_peer.py plays the car. $LOOMTAP: the program. Of each case: NAME.json (or .out), NAME.err,
# NAME.bytes (what went to the adapter) and a line in statuses.
buses='vcan0'
. "$(dirname "$0")/guest_begin.sh"
mkdir -p /dev/pts
mknod /dev/tty c 5 0
mknod /dev/ptmx c 5 2
mount -t devpts devpts /dev/pts
insmod "$modules/drivers/net/can/slcan/slcan.ko"
python3 "$(dirname "$0")/slcan_peer.py" . &
peer=$!
for _ in $(seq 600); do [ -f adapter ] && break; sleep 0.05; done
adapter=$(cat adapter)

# What the adapter still gets of the case before must not be counted to the next.
try() { # name, what the car does, arguments of attach
    name=$1
    echo "$2" >car
    shift 2
    : >adapter.bytes
    "$LOOMTAP" attach "$@" >"$name.json" 2>"$name.err"
    echo "$name $?" >>statuses
    sleep 0.2
    cp adapter.bytes "$name.bytes"
    ip -details link show "$adapter" >"$name.link" 2>&1
}
# Long enough for a busy machine, where something is to be heard; silence need not last.
auto() { # name, what the car does, more arguments
    name=$1
    car=$2
    shift 2
    try "$name" "$car" "$adapter" --bitrate auto --listen 1s --json "$@"
}
given() {
    name=$1
    car=$2
    shift 2
    try "$name" "$car" "$adapter" --bitrate 500000 --listen 2s --json "$@"
}

echo "-- each usual rate that the adapter has"
for code in 2 3 4 5 6 7 8; do
    auto "rate-$code" "rate $code right frames wrong errors"
done
auto rate-untold "rate 7 right frames wrong silence"
auto rate-passive "rate 5 right frames wrong passive"

echo "-- what is no answer"
auto silent "rate 0" --listen 200ms
auto bursts "rate 0 wrong errors"
auto mixed "rate 6 right mixed wrong errors"
auto few "rate 6 right few wrong silence" --listen 600ms
auto sending "rate 4 right frames wrong sending"

echo "-- a rate that is given"
given given "rate 6 right frames wrong errors" --sample-point 80%
given given-quiet "rate 0" --listen 200ms
given given-wrong "rate 4 right frames wrong errors"
given given-few "rate 6 right few"

echo "-- active, and not"
given active "rate 6 right frames wrong errors" --active --cautions-read
given active-mixed "rate 6 right mixed" --active --cautions-read
given active-wrong "rate 4 right frames wrong errors" --active --bench --cautions-read
given active-quiet "rate 0" --listen 200ms --active --cautions-read
given active-bench "rate 0" --listen 200ms --active --bench --cautions-read
auto active-found "rate 4 right frames wrong errors" --active --cautions-read

given unread "rate 6 right frames" --active

echo "-- text, and state without a change"
try text "rate 6 right frames wrong errors" "$adapter" --bitrate auto
try state "rate 6 right frames wrong errors" "$adapter"
try down "rate 6 right frames" "$adapter" --down
try down-text "rate 0" "$adapter"
try no-such-rate "rate 0" "$adapter" --bitrate 33.3k
try no-fd "rate 0" "$adapter" --bitrate 500000 --fd iso --data-bitrate 2M

echo "-- taken down by somebody meanwhile"
echo "rate 6 right frames" >car
"$LOOMTAP" attach "$adapter" --bitrate 500000 --listen 20s >away.json 2>away.err &
pid=$!
for _ in $(seq 600); do ip link show "$adapter" | grep -q ',UP' && break; sleep 0.05; done
sleep 0.3
ip link set "$adapter" down
wait $pid
echo "away $?" >>statuses

echo "-- a virtual bus"
ip link set vcan0 down
try virtual "" vcan0 --bitrate 500000
try virtual-auto "" vcan0 --bitrate auto --json

echo "-- what cannot be"
try missing "" can7 --bitrate auto
try no-can "" lo --bitrate 500000
: >adapter.bytes
setpriv --bounding-set=-net_admin --inh-caps=-net_admin "$LOOMTAP" attach "$adapter" --bitrate 500000 \
    >not-permitted.json 2>not-permitted.err
echo "not-permitted $?" >>statuses
touch stop
wait $peer
try gone "" "$adapter" --bitrate 500000
rmmod slcan vcan can_dev can_raw can
try no-can-in-kernel "" vcan0 --bitrate 500000
power_off
