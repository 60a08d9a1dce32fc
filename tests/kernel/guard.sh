#!/bin/bash
# `loomtap guard` in a real SocketCAN kernel, with can-utils as the car and as witness: see guest_guard.sh for
# what happens, guard_check.py for what must have come of it. Exit 77 (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") no_xstate=${2:+$(realpath "$2")}
. "$(dirname "$0")/kernel.sh"
kernel_need cansend cangen candump
cp "$kernel_here/guard_kit.ini" "$run/kit.ini"
cp "$kernel_here/guard_dm1.ini" "$run/dm1.ini"
cp "$kernel_here/../../signaldefs/tarn-turbo.ini" "$run/tarn.ini"
hash=$("$loomtap" check --print --flat "$run/kit.ini" | sha256sum | cut -d' ' -f1)
printf '{"profile": "guard-kit", "profile_hash": "%s", "verdict": "proven", "claims": []}\n' "$hash" >"$run/proof.json"
kernel_run guest_guard.sh "$no_xstate" LOOMTAP="$loomtap"
python3 "$(dirname "$0")/guard_check.py" "$loomtap" "$run" "$hash"
