#!/bin/sh
# guard_latency.sh LOOMTAP GUARD_LATENCY WIRE_SHIM PROFILE: what guarding a full 500 kbit/s bus takes of a processor,
# and how soon its frame follows the frame that makes a condition true, as a table. On the virtual bus that BUS names;
# else on a bus of datagrams that takes its place (wire_shim.c). SAMPLES: conditions, 20 a second.
set -u
loomtap=$(realpath "$1") latency=$(realpath "$2") profile=$(realpath "$4")
if [ -z "${BUS:-}" ]; then
    BUS=wire0
    export LD_PRELOAD="$(realpath "$3")"
fi
folder=$(mktemp -d) || exit 1
trap 'rm -rf "$folder"' EXIT
cd "$folder" || exit 1

row() { # name, arguments of guard
    name=$1
    shift
    rm -f run.log run.log.jsonl
    "$loomtap" guard "$BUS" -p "$profile" --quiet --arm --cautions-read --reason bench --log run.log "$@" \
        >guard.out 2>guard.err &
    guard=$!
    sleep 0.2
    "$latency" "$BUS" $guard 200 40 >/dev/null # a quiet bus while it listens first
    figures=$("$latency" "$BUS" $guard 4000 "${SAMPLES:-400}") || echo "no figures: $(tail -1 guard.err)"
    kill -INT $guard
    wait $guard
    echo "$figures" | while read -r share median most longest answered rate; do
        echo "| $name | $rate | $share % | $median | $most | $longest | $answered |"
    done
}
echo "| guarding | frames/s | of one processor | median us | 99 % us | longest us | answered |"
echo "|---|---|---|---|---|---|---|"
row 'armed, every frame heard and logged' --all
