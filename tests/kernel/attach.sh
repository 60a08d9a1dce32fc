#!/bin/bash
# `loomtap attach` in a real SocketCAN kernel, on a serial adapter with real bit rates: see guest_attach.sh for
# what happens, attach_check.py for what must have come of it. Exit 77 (skipped) where there is no such kernel.
set -u
loomtap=$(realpath "$1") no_xstate=${2:+$(realpath "$2")}
. "$(dirname "$0")/kernel.sh"
kernel_need setpriv rmmod
kernel_run guest_attach.sh "$no_xstate" LOOMTAP="$loomtap"
python3 "$(dirname "$0")/attach_check.py" "$run"
