#!/bin/sh
# Runs as the first process of the guest kernel (see record.sh): records what can-utils send, in all that
# can happen to a bus and to a recording. $LOOMTAP: the program. $RECORD_FRAMES: frames a busy bus carries.
# Exit statuses go to statuses, a line each.
buses='vcan0 vcan1 vcan2'
. "$(dirname "$0")/guest_begin.sh"

# Until every bus of the recorder is listened to: one receiver a bus, beyond those before.
start() { # receivers wanted, arguments of record
    want=$(($(receivers) + $1))
    shift
    "$LOOMTAP" record "$@" &
    pid=$!
    wait_receivers "$want"
}
ended() { # name of what ended
    wait $pid
    echo "$1 $?" >>statuses
}
# So that frames are on the disk: more than a second.
settle() { sleep 2.5; }

echo "-- every kind of frame, in every form"
count=$(wc -l <frames)
for form in log csv-all pcapng; do
    start 1 vcan0 -o "kinds.$form" --as $form --frames "$count"
    pids="$pids $pid"
done
while read -r frame; do cansend vcan0 "$frame"; done <frames
for pid in $pids; do ended kinds; done

echo "-- two full buses, each frame with its number in it"
start 2 vcan0 vcan1 -o full.log --frames $((2 * RECORD_FRAMES)) --duration 60
cangen vcan0 -g 0 -n "$RECORD_FRAMES" -I 123 -L 8 -D i &
one=$!
cangen vcan1 -g 0 -n "$RECORD_FRAMES" -I 1ABCDEF0 -e -L 8 -D i &
two=$!
wait $one $two
ended full

echo "-- the longest FD frames"
start 1 vcan2 -o fd.log --frames 2000 --duration 60
cangen vcan2 -g 0 -n 2000 -I 222 -L 64 -D r -f -b
ended fd

echo "-- killed"
for name in killed.log killed.log.gz killed.pcapng.zst; do
    start 1 vcan0 -o $name --quiet
    for i in 1 2 3 4 5 6 7 8 9; do cansend vcan0 "10$i#0$i"; done
    settle
    kill -KILL $pid
    wait $pid 2>/dev/null
done

echo "-- stopped for a while, as on a busy machine"
start 1 vcan0 -o stopped.log --frames 3000 --duration 60
cangen vcan0 -g 0 -n 1000 -I 100 -L 8 -D i
kill -STOP $pid
cangen vcan0 -g 0 -n 1000 -I 101 -L 8 -D i
kill -CONT $pid
cangen vcan0 -g 0 -n 1000 -I 102 -L 8 -D i
ended stopped

echo "-- down and up, unplugged and back; the other bus goes on"
start 2 vcan0 vcan2 -o gaps.log
cansend vcan0 "101#01"
settle
ip link set vcan0 down
settle
cansend vcan2 "202#02"
ip link set vcan0 up
settle
kill -STOP $pid # what came before the adapter vanished is recorded, however late that is noticed
cansend vcan0 "103#03"
ip link del vcan0
kill -CONT $pid
settle
cansend vcan2 "204#04"
make_bus vcan0
settle
cansend vcan0 "105#05"
settle
kill -INT $pid
ended gaps

echo "-- marks, notes and parts"
mkfifo keys
exec 9<>keys
want=$(($(receivers) + 1)) # a job in the background has no standard input but one that is named
"$LOOMTAP" record vcan0 -o parts.log --split 1 --marks marks.csv --key s=sport,c=comfort \
    --note access=bench --note 'odometer=12 345 km' --frames 30 <&9 &
pid=$!
wait_receivers $want
printf s >&9
for i in $(seq 10); do cansend vcan0 "300#AA"; done
sleep 3
printf 'c?' >&9
for i in $(seq 10); do cansend vcan0 "301#AA"; done
sleep 3
for i in $(seq 10); do cansend vcan0 "302#AA"; done
exec 9>&-
ended parts

echo "-- filters of the kernel"
"$LOOMTAP" record vcan1 -o some.log --id 0x100..0x1FF,0x7E8 --frames 258 --duration 60 &
pid=$!
for _ in $(seq 600); do [ "$(cat /proc/net/can/rcvlist_fil | grep -c ' raw$')" -ge 1 ] && break; sleep 0.05; done
sleep 0.5
i=0
while [ $i -lt 2048 ]; do
    printf '(0.000000) vcan1 %03X#11\n' $i
    i=$((i + 1))
done >sweep.log
# 100..1FF and 7E8, then a last frame of each end that ends the recording
printf '(0.000000) vcan1 100#22\n' >>sweep.log
canplayer -I sweep.log -t -g 0 vcan1=vcan1
ended some

echo "-- the invented car plays, and is recorded"
make_bus vcan3
make_bus vcan4
start 2 vcan3 vcan4 -o played.log --frames "$(wc -l <drive.log)" --duration 60
"$LOOMTAP" mimic drive --duration 5 --speed 0 --play can0=vcan3,can1=vcan4
echo "play $?" >>statuses
ended played

echo "-- a wire is played to only when armed"
mkdir -p /dev/pts
mknod /dev/tty c 5 0
mknod /dev/ptmx c 5 2
mount -t devpts devpts /dev/pts
insmod "$modules/drivers/net/can/slcan/slcan.ko"
python3 "$(dirname "$0")/slcan_peer.py" . &
peer=$!
for _ in $(seq 600); do [ -f adapter ] && break; sleep 0.05; done
ip link set "$(cat adapter)" up
"$LOOMTAP" mimic drive --duration 0.05 --speed 0 --play "$(cat adapter)" 2>unarmed.err
echo "unarmed $?" >>statuses
sleep 0.3
cp adapter.bytes adapter.unarmed
"$LOOMTAP" mimic drive --duration 0.05 --speed 0 --play "$(cat adapter)" --arm 2>armed.err
echo "armed $?" >>statuses
sleep 1
touch stop
wait $peer

echo "-- what cannot be"
try() {
    name=$1
    shift
    "$LOOMTAP" record "$@" >>"$name.out" 2>"$name.err"
    echo "$name $?" >>statuses
}
try missing can7 -o missing.log
try no-can lo -o no-can.log
try twice vcan0 vcan0 -o twice.log
try silent vcan0 -o silent.log --duration 0.3
try there vcan0 -o kinds.log --duration 0.3
try no-folder vcan0 -o nowhere/x.log --duration 0.3
try marks-unwritable vcan0 -o m.log --marks nowhere/m.csv --duration 0.3

echo "-- the disk is full"
mkdir disk
mount -t tmpfs -o size=64k tmpfs disk
start 1 vcan0 -o disk/full.log --duration 60 2>disk-full.err
cangen vcan0 -g 1 -n 4000 -I 123 -L 8 -D i
ended disk-full
cp disk/full.log disk-full.log
power_off
