#!/bin/bash
# `loomtap ask` in a real SocketCAN kernel, against cars made of a table: see guest_ask.sh for what happens,
# ask_check.py for what must have come of it. Exit 77 (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") no_xstate=${2:+$(realpath "$2")}
. "$(dirname "$0")/kernel.sh"
kernel_need candump cansend
kernel_run guest_ask.sh "$no_xstate" LOOMTAP="$loomtap"
python3 "$(dirname "$0")/ask_check.py" "$loomtap" "$run"
