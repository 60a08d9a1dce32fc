#!/bin/sh
# Runs as the first process of the guest kernel (see guard.sh): `loomtap guard` on virtual buses, each with a
# peer that plays the car and one that listens. $LOOMTAP: the program; kit.ini, dm1.ini, proof.json: in
# $LOOMTAP_RUN. Exit statuses go to statuses, a line each; what candump saw to NAME.bus.
buses='vcan0 vcan1 vcan2 vcan3 vcan4 vcan5 vcan6 vcan7 vcan8 vcan9 vcan10 vcan11'
. "$(dirname "$0")/guest_begin.sh"

LOW=0000 HIGH=1400 HIGHER=3000
# bus, value: the car until it is killed
car() { exec cangen "$1" -g 50 -I 100 -L 2 -D "$2" >/dev/null; }
watch() { exec candump -L "$1" >"$2.bus"; }
unattended='--arm --cautions-read'
# name, bus, the car's command: the car and its witness, in $car $witness, once the car has spoken
begin_car() {
    witnessed=$1
    watch "$2" "$1" &
    witness=$!
    shift 2
    "$@" &
    car=$!
    for _ in $(seq 600); do
        [ -s "$witnessed.bus" ] && return
        sleep 0.1
    done
    echo "$witnessed: the car is silent"
}

# name, bus, value, more arguments: guard with its car and its witness, in $guard $car $witness
begin() {
    name=$1 bus=$2 value=$3
    shift 3
    begin_car "$name" "$bus" car "$bus" "$value"
    "$LOOMTAP" guard "$bus" -p kit.ini --log "$name.log" --duration 90 "$@" >"$name.out" 2>"$name.err" &
    guard=$!
}
# Until so many frames of the kit were seen; at most a minute.
until_sent() {
    for _ in $(seq 600); do
        [ -f "$name.bus" ] && [ "$(grep -c ' 6A0#' "$name.bus")" -ge "$1" ] && return
        sleep 0.1
    done
    echo "$name: fewer than $1 frames were sent"
}
until_sending() { until_sent 1; }
# Its log is on the disk a second after it began.
until_running() {
    for _ in $(seq 600); do
        [ -s "$name.log.jsonl" ] && return
        sleep 0.1
    done
    echo "$name: no log"
}
ended() {
    wait $guard
    echo "$name $?" >>statuses
    sleep 0.3
    kill $car $witness 2>/dev/null
    wait $car $witness 2>/dev/null
}
turn() { # value
    kill $car
    wait $car 2>/dev/null
    car "$bus" "$1" &
    car=$!
}

echo "-- a thousand cycles, across an end of the warning and a process that stood still"
begin cycles vcan0 $HIGH $unattended --proof proof.json
until_sent 400
turn $LOW
sleep 1
turn $HIGHER
until_sent 600
date +%s.%N >cycles.stopped
kill -STOP $guard
sleep 3
date +%s.%N >cycles.renewed
kill -CONT $guard
until_sent 1010
kill -INT $guard
ended

echo "-- everything else, side by side"
unarmed() {
    begin unarmed vcan1 $HIGH --frames --duration 4
    ended
}
foreign() {
    begin foreign vcan2 $HIGH $unattended --reason 'test of a foreign sender'
    until_sending
    sleep 0.5
    cansend vcan2 6A0#0000000000000000
    ended
}
foreign_first() {
    begin foreign-first vcan3 $HIGH $unattended --reason 'test of a foreign sender' --listen 20
    until_running
    cansend vcan3 6A0#0000000000000000
    ended
}
down() {
    begin down vcan4 $HIGH $unattended --reason 'test of a bus that goes down'
    until_sending
    sleep 0.5
    ip link set vcan4 down
    ended
}
killed() {
    begin killed vcan5 $HIGH $unattended --reason 'test of a killed process'
    until_sending
    sleep 5
    kill -KILL $guard
    date +%s.%N >killed.at
    sleep 1
    ended
}
bus_off() {
    begin bus-off vcan6 $HIGH $unattended --reason 'test of bus-off'
    until_sending
    sleep 0.5
    cansend vcan6 20000040#0000000000000000
    ended
}
full() {
    mkdir disk
    mount -t tmpfs -o size=32k tmpfs disk
    begin_car full vcan7 car vcan7 $HIGH
    name=full
    "$LOOMTAP" guard vcan7 -p kit.ini --log disk/full.log $unattended --reason 'test of a full disk' \
        --duration 8 >full.out 2>full.err &
    guard=$!
    ended
    cp disk/full.log full.log
}
held() {
    mkfifo terminal
    exec 8<>terminal
    begin_car held vcan8 car vcan8 $HIGH
    name=held
    "$LOOMTAP" guard vcan8 -p kit.ini --log held.log --json $unattended --reason 'test of a held terminal' \
        --duration 9 >&8 2>held.err &
    guard=$!
    ended
}
lost() {
    begin lost vcan9 $HIGH $unattended --reason 'test of lost inputs'
    until_sending
    kill $car
    date +%s.%N >lost.at
    ended
}
early() {
    begin early vcan10 $HIGH $unattended --reason 'test of an early end' --listen 20
    until_running
    kill -TERM $guard
    ended
}
dm1() {
    for name in dm1 dm1-taken; do
        begin_car $name vcan11 cangen vcan11 -g 100 -I 18FEEE00 -e -L 8 -D 20FFFFFFFFFFFFFF
        "$LOOMTAP" guard vcan11 -p dm1.ini --log $name.log $unattended --reason 'test of an address' \
            --duration 16 >$name.out 2>$name.err &
        guard=$!
        until_running
        [ $name = dm1 ] || cansend vcan11 0CF00480#0000000000000000
        ended
    done
}
# The set-up of docs/bench-setup.md: the invented car in one terminal, the kit's engineer in the other.
bench() {
    make_bus vcan12
    make_bus vcan13
    "$LOOMTAP" record vcan12 vcan13 -o drive.log --duration 60 --quiet &
    recorder=$!
    "$LOOMTAP" mimic drive --duration 16 --play can0=vcan12,can1=vcan13 --quiet &
    player=$!
    "$LOOMTAP" guard vcan12 vcan13 -p tarn.ini --bus powertrain=vcan12,chassis=vcan13 $unattended \
        --reason 'bench, no vehicle' --log bench.log --frames --listen 6 --duration 60 >bench.out 2>bench.err &
    guard=$!
    wait $player
    echo "bench-play $?" >>statuses
    sleep 0.5
    kill -INT $guard
    wait $guard
    echo "bench $?" >>statuses
    kill -INT $recorder
    wait $recorder
    echo "bench-record $?" >>statuses
}
for step in unarmed foreign foreign_first down killed bus_off full held lost early dm1 bench; do
    $step &
    steps="$steps $!"
done
wait $steps

echo "-- what cannot be"
try() {
    name=$1
    shift
    "$LOOMTAP" guard "$@" >"$name.out" 2>"$name.err"
    echo "$name $?" >>statuses
}
try missing can7 -p kit.ini
try no-can lo -p kit.ini
try is-down vcan4 -p kit.ini $unattended --reason test --log is-down.log
try silent vcan1 -p kit.ini $unattended --reason test --log silent.log
try nothing vcan1 -p kit.ini --duration 0.3
try there vcan1 -p kit.ini --log cycles.log
power_off
