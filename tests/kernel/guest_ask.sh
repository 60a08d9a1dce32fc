#!/bin/sh
# Runs as the first process of the guest kernel (see ask.sh): the tester asks cars made of a table, one bus
# each, all at once. $LOOMTAP: the program. Exit statuses go to statuses, a line each.
buses='plain wide slow mute other deaf quiet port inner still rec'
. "$(dirname "$0")/guest_begin.sh"
here=$(dirname "$0")

candump -L plain wide slow mute other deaf quiet port inner still rec >traffic.log &
dump=$!
wait_receivers 11

cat >plain.rows <<'R'
7E8 0100 4100181A8001
7E8 0120 412000000001
7E8 0140 414010000000
7E8 01040C0D05 4104800C1AF80D3C057B
7E8 01040C0D 4104800C1AF80D3C
7E8 010C040D 410C1AF804800D3C
7E8 0104 410480
7E8 010C 410C1AF8
7E8 010D 410D3C
7E8 0105 41057B
7E8 0144 41446B85
7E8 0900 490054000000
7E8 0902 4902013144344750303052353542313233343536
7E8 0904 4904015441524E303034320000000000000000
7E8 03 43020135D600
7E8 07 4700
7E9 0100 410000180001
7E9 010C 410C1B00
7E9 03 4301C158
7E9 07 4700
R
sed 's/^7E8/18DAF110/; s/^7E9/18DAF118/' plain.rows >wide.rows
cat >slow.rows <<'R'
7E8 0100 410018180000
7E8 010C +410C1AF8
7E8 22F190 7F2231
7E8 22F18C 7F2233
7E8 22F18B 7F2234
R
: >mute.rows

cars=
car() { # bus, further words
    python3 "$here/ask_car.py" "$1" "$2" "$3" $4 &
    cars="$cars $!"
}
car plain 11 plain.rows life
car wide 29 wide.rows
car slow 11 slow.rows
car mute 11 mute.rows life
car other 11 plain.rows life
car deaf 11 plain.rows 'off-after 12 deaf'
car quiet 11 plain.rows 'life off-after 12 quiet'
car port 11 plain.rows
car inner 11 mute.rows life
car rec 11 plain.rows life
wait_receivers 21

asks=
ask() { # name, bus and further words
    name=$1
    shift
    { "$LOOMTAP" ask "$@" >"$name.out" 2>"$name.err"; echo "$name $?" >>statuses; } &
    asks="$asks $!"
}
ask plain plain 04 0C 0D 05 vin calibration_ids codes pending_codes --count 4 --as csv --arm
ask wide wide 0C 04 44 vin --as jsonl --arm
ask slow slow 0C 0B 22:F190 22:F18C 22:F18B --as csv --arm
ask mute mute 0C --arm
ask other other 0C --duration 25 --as csv --arm
ask deaf deaf 0C --every 100ms --as csv --arm
ask quiet quiet 0C --every 100ms --as csv --arm
ask port port 0C --every 100ms --as csv --listen inner --arm
ask unarmed still 0C codes
mkfifo keys
exec 9<>keys # a job in the background has no standard input but one that is named
{ "$LOOMTAP" record rec -o polled.log --poll engine_speed,04,0D,0B --vin --arm --duration 14 --marks marks.csv \
    --key s=sport,c=comfort --for engine_speed,drive_mode --lead <&9 2>polled.err
  echo "polled $?" >>statuses; } &
asks="$asks $!"
for key in s c s c; do sleep 2; printf $key >&9; done

# Somebody else asks, some seconds later, for three seconds: known by its padding.
asked() { # bus, so often
    for _ in $(seq 300); do [ "$(grep -c " $1 7E0#" traffic.log)" -ge "$2" ] && break; sleep 0.1; done
}
asked other 8
for i in 1 2 3; do cansend other 7DF#02010D5555555555; sleep 1; done
asked port 8
touch off.inner
wait $asks
kill $dump
wait $dump

echo "-- what cannot be"
try() {
    name=$1
    shift
    "$LOOMTAP" ask "$@" >"$name.out" 2>"$name.err" </dev/null
    echo "$name $?" >>statuses
}
try missing can7 0C --arm
try no-can lo 0C --arm
ip link set still down
try down still 0C --arm
mkdir -p /dev/pts
mknod /dev/tty c 5 0
mknod /dev/ptmx c 5 2
mount -t devpts devpts /dev/pts
insmod "$modules/drivers/net/can/slcan/slcan.ko"
python3 "$here/slcan_peer.py" . &
peer=$!
for _ in $(seq 600); do [ -f adapter ] && break; sleep 0.05; done
ip link set "$(cat adapter)" up
try unaccepted "$(cat adapter)" 0C --arm
python3 "$here/ask_terminal.py" no "$LOOMTAP" ask "$(cat adapter)" 0C --arm --duration 4 >declined.err
echo "declined $?" >>statuses
sleep 0.3
cp adapter.bytes adapter.unaccepted
python3 "$here/ask_terminal.py" yes "$LOOMTAP" ask "$(cat adapter)" 0C --arm --duration 4 >typed.err
echo "typed $?" >>statuses
cp adapter.bytes adapter.typed
try accepted "$(cat adapter)" 0C --arm --cautions-read --duration 4
touch stop
wait $peer $cars
power_off
