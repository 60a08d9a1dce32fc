#!/bin/sh
# Runs as the first process of the guest kernel (see live.sh): commands that read captures read live buses.
# $LOOMTAP: the program; $ROOT: the source tree. Exit statuses go to statuses, a line each.
buses='vcan0 vcan1'
. "$(dirname "$0")/guest_begin.sh"
profile=$ROOT/signaldefs/tarn-turbo.ini
names='--bus powertrain=vcan0 --bus chassis=vcan1'

begin() { # name, arguments: until it listens to both
    name=$1
    want=$(($(receivers) + 2))
    shift
    "$LOOMTAP" "$@" >"$name.out" 2>"$name.err" &
    pids="$pids $name=$!"
    wait_receivers "$want"
}
# Everything that was sent is in the sockets' queues, and is taken before the end; Ctrl-C to all but the recorder,
# which counts its frames.
all_end() {
    for word in $pids; do [ "${word%%=*}" = recorded ] || kill -INT "${word#*=}"; done
    for word in $pids; do
        wait "${word#*=}"
        echo "${word%%=*} $?" >>statuses
    done
    pids=
}

echo "-- the invented car, live and recorded at once"
begin recorded record vcan0 vcan1 -o recorded.pcapng --frames "$(wc -l <drive.log)" --duration 120
begin decoded decode can:vcan0,vcan1 -p "$profile" $names
begin recast recast can:vcan0,vcan1 -o recast.pcapng
begin survey survey can:vcan0,vcan1 --json
begin seek seek can:vcan0,vcan1 --only engine_speed --json
begin rehearse rehearse can:vcan0,vcan1 -p "$profile" $names --json
"$LOOMTAP" mimic drive --duration 10 --speed 0 --play can0=vcan0,can1=vcan1
echo "play $?" >>statuses
all_end

echo "-- ends by itself, with frames and without"
begin timed decode can:vcan0,vcan1 -p "$profile" $names --duration 10
"$LOOMTAP" mimic drive --duration 1 --speed 0 --play can0=vcan0,can1=vcan1
wait "${pids#*=}"
echo "timed $?" >>statuses
pids=
"$LOOMTAP" decode can:vcan0 -p "$profile" --duration 0.3 >silent.out 2>silent.err
echo "silent $?" >>statuses

echo "-- away and back"
begin away recast can:vcan0,vcan1 -o away.log
cansend vcan0 "101#01"
sleep 1
ip link set vcan0 down
sleep 1
cansend vcan1 "202#02"
ip link set vcan0 up
sleep 1
cansend vcan0 "103#03"
all_end

echo "-- what cannot be"
try() {
    name=$1
    shift
    "$LOOMTAP" "$@" >"$name.out" 2>"$name.err"
    echo "$name $?" >>statuses
}
try missing survey can:can7
try no-can decode can:lo -p "$profile"
try two survey can:vcan0 can:vcan1
try with-file recast can:vcan0 recorded.pcapng -o x.log
try no-bus survey recorded.pcapng --duration 1
power_off
