# For the tests that need a real SocketCAN kernel: `. kernel.sh`, then `kernel_run GUEST.sh ...`. Boots a
# Linux kernel as an ordinary program (user-mode-linux); the guest's root is the host's files.
# Exit 77 (skipped) where it is missing or cannot start.
kernel_here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)

skip() {
    echo "skipped: $1"
    exit 77
}

# Programs that the test needs besides.
kernel_need() {
    for program in linux.uml ip insmod "$@"; do
        PATH=$PATH:/usr/sbin:/sbin command -v "$program" >/dev/null || skip "$program is not installed"
    done
    ls /usr/lib/uml/modules/*/kernel/net/can/can-raw.ko >/dev/null 2>&1 ||
        skip "user-mode-linux has no SocketCAN modules"
    [ "$(id -u)" -eq 0 ] || skip "the guest's root is the host's files: needs root to make its devices"
    run=$(mktemp -d) || exit 1
    trap '[ -n "${LOOMTAP_KEEP:-}" ] || rm -rf "$run"' EXIT
}

# library to preload, guest script, more words: the kernel passes NAME=value words of its command line on
# to the first process.
kernel_boot() {
    TMPDIR=$run LD_PRELOAD=$1 timeout 560 linux.uml mem=256M rootfstype=hostfs rootflags=/ rw \
        init="$kernel_here/$2" LOOMTAP_RUN="$run" "${@:3}" uml_dir="$run/" con=null con0=fd:0,fd:1 quiet \
        </dev/null >"$run/console" 2>&1
}

# guest script, the library no_xstate or "", more words. The guest writes guest.log, and `finished` at its
# end.
kernel_run() {
    kernel_boot "" "$1" "${@:3}" 2>/dev/null
    # See no_xstate.c. Only the FXSAVE area then survives a page fault, so the guest's C library must
    # keep away from the wide registers; the last word is a preference that it keeps by itself.
    [ -f "$run/guest.log" ] || [ -z "$2" ] || kernel_boot "$2" "$1" \
        GLIBC_TUNABLES=glibc.cpu.hwcaps=-AVX,-AVX2,-AVX512F,-AVX512VL,-AVX512BW,-XSAVE,-XSAVEC,-AVX_Fast_Unaligned_Load \
        "${@:3}" 2>/dev/null
    if [ ! -f "$run/guest.log" ]; then
        head -5 "$run/console"
        skip "user-mode-linux does not start on this machine"
    fi
    cat "$run/guest.log"
    [ -f "$run/finished" ] && return
    echo "failed: the guest did not come to its end"
    exit 1
}
