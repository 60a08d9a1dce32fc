#!/bin/sh
# Runs as the first process of the guest kernel (see candump.sh): loads SocketCAN, records the
# table's frames and random ones with the real candump in every variant, and powers off.
# $LOOMTAP_RUN: a folder of the host for the results, with the file `frames` in it.
buses='vcan0 vcan1 longname_vcan2'
. "$(dirname "$0")/guest_begin.sh"

# What this candump knows: -8 and -N came after 2020.
candump 2>usage.txt >>usage.txt
knows() { grep -q -- "^ *$1 " usage.txt; }

# name, what the form keeps, options
variants='log time,fdbits,dlc,errors -L
log-x time,fdbits,dlc,errors,sent -L -x
screen errors
screen-a time,errors -t a
screen-d time,errors -t d
screen-z time,errors -t z
screen-date time,errors -t A
screen-x errors,fdbits,sent -x
screen-ascii time,errors -t a -a
screen-swap time,errors -t a -S
screen-swap-ascii errors -S -a
screen-binary time,errors -t z -i
screen-binary-swap errors -i -S
screen-words time,errors -t a -e
screen-colour time,errors -t a -c
screen-colour2 time,errors -t a -c -c
screen-colour3 time,errors,fdbits,sent -t A -c -c -c -x
screen-all time,errors,fdbits,sent -t A -x -a -e -c -c
screen-raw-dlc time,errors,dlc -t a -8
screen-raw-dlc-all time,errors,dlc,fdbits,sent -t a -8 -x -a
log-nanoseconds time,fdbits,dlc,errors -L -N
log-zero time,fdbits,dlc,errors -L -t z
no-errors time,fdbits,dlc -L'

# Room for every frame: on a busy machine a recorder may not run for a while, and a frame lost in its
# queue is no fault of the reader.
queue='-r 4000000'
pids=
# suffix, bus, frames: one candump a variant, all at once; each ends when it has seen all frames
record() {
    while read -r name kept options; do
        case " $options " in
        *" -8 "*) knows -8 || continue ;;
        esac
        case " $options " in
        *" -N "*) knows -N || continue ;;
        esac
        # A candump that knows no raw DLC keeps none in its logs either.
        knows -8 || kept=$(echo "$kept" | sed 's/,dlc//')
        errors=,#FFFFFFFF
        count=$3
        if [ "$name" = no-errors ]; then
            errors=
            count=$4
        fi
        candump $queue -n "$count" $options "$2,0:0$errors" >"$name$1" 2>>candump.err &
        pids="$pids $!"
        echo "$name $kept" >>"variants$1"
    done <<END
$variants
END
}

# Until each candump listens. $1: receivers beyond one a candump, where some listen on two buses.
ready() {
    wait_receivers $(($(echo $pids | wc -w) + ${1:-0}))
}

# Until each has seen its frames; what is missing shows in the comparison.
all_done() {
    (sleep 120 && kill -INT $pids) &
    watchdog=$!
    wait $pids
    kill $watchdog
    pids=
}

frames_count=$(wc -l <frames)
errors_count=$(grep -c '^2[0-9A-F]\{7\}#' frames)
data_count=$((frames_count - errors_count))
mkdir -p written
(cd written && exec candump $queue -n "$frames_count" -l vcan0,0:0,#FFFFFFFF) &
pids="$pids $!"
record .table vcan0 "$frames_count" "$data_count"
candump $queue -n "$data_count" -t a any >all.screen &
pids="$pids $!"
candump $queue -n "$data_count" -L any >all.log &
pids="$pids $!"
ready
while read -r frame; do
    cansend vcan0 "$frame" || echo "cansend $frame failed"
done <frames
all_done

record .random vcan1 400 400
candump $queue -n 420 -t a vcan1 longname_vcan2 >wide.screen &
pids="$pids $!"
candump $queue -n 420 -L vcan1 longname_vcan2 >wide.log &
pids="$pids $!"
ready 2
cangen vcan1 -g 1 -n 200 -I r -L r -D r -m
cangen longname_vcan2 -g 1 -n 20 -I r -L r -D r
cangen vcan1 -g 1 -n 200 -I r -L r -D r -f -b -E
all_done

knows -8 && echo dlc >keeps_dlc
power_off
