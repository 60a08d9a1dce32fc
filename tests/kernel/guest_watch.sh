#!/bin/sh
# Runs as the first process of the guest kernel (see watch.sh): the invented car plays, `watch` shows it
# beside a recorder. $LOOMTAP: the program. $PROFILE: the car's. Exit statuses go to statuses.
buses='vcan0 vcan1'
. "$(dirname "$0")/guest_begin.sh"

# The kernel's filters of `watch` are listed apart from the recorder's.
wait_filtered() { # by then so many receivers with filters
    for _ in $(seq 1200); do
        [ "$(cat /proc/net/can/rcvlist_fil /proc/net/can/rcvlist_sff 2>/dev/null | grep -c ' raw$')" -ge "$1" ] && return
        sleep 0.05
    done
}

echo "-- values as they come, as text and as a log, beside a recording"
"$LOOMTAP" record vcan0 vcan1 -o drive.pcapng --frames "$(wc -l <car.log)" --duration 100 &
recorder=$!
"$LOOMTAP" watch vcan0 vcan1 -p "$PROFILE" --bus powertrain=vcan0,chassis=vcan1 --log seen.csv \
    --duration 60 >last.txt 2>watch.err &
watcher=$!
wait_receivers 2
wait_filtered 2
"$LOOMTAP" mimic drive --duration 5 --play can0=vcan0,can1=vcan1
wait $recorder
echo "record $?" >>statuses
sleep 1
kill -INT $watcher
wait $watcher
echo "watch $?" >>statuses

echo "-- on a terminal, with keys"
mkdir -p /dev/pts
mknod /dev/tty c 5 0
mknod /dev/ptmx c 5 2
mount -t devpts devpts /dev/pts
python3 "$(dirname "$0")/watch_terminal.py" "$LOOMTAP" "$PROFILE"
echo "terminal $?" >>statuses

echo "-- what cannot be"
"$LOOMTAP" watch can7 -p "$PROFILE" 2>missing.err
echo "missing $?" >>statuses
"$LOOMTAP" watch vcan0 -p "$PROFILE" --duration 0.3 >silent.txt 2>silent.err
echo "silent $?" >>statuses
"$LOOMTAP" watch vcan0 -p "$PROFILE" --bus nothing=vcan0 --duration 0.3 2>no-bus.err
echo "no-bus $?" >>statuses
ip link set vcan1 down
"$LOOMTAP" watch vcan0 vcan1 -p "$PROFILE" --bus powertrain=vcan0,chassis=vcan1 --duration 1 >down.txt 2>/dev/null
echo "down $?" >>statuses
"$LOOMTAP" mimic drive --duration 2 --play can0=vcan0 --quiet 2>/dev/null &
"$LOOMTAP" watch vcan0 -p "$PROFILE" --bus powertrain=vcan0 --log /dev/full --duration 4 >full.txt 2>full.err
echo "log-full $?" >>statuses
wait
"$LOOMTAP" watch vcan0 -p "$PROFILE" --log seen.csv --duration 0.3 2>log-there.err
echo "log-there $?" >>statuses
power_off
