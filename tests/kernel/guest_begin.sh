# What every guest does first (see kernel.sh): devices, SocketCAN, virtual buses $buses; output to
# guest.log. $LOOMTAP_RUN: a folder of the host for the results.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin TZ=UTC
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t tmpfs tmpfs /dev
mknod /dev/null c 1 3
mknod /dev/zero c 1 5
mknod /dev/full c 1 7
mknod /dev/urandom c 1 9
chmod 666 /dev/null /dev/zero /dev/full /dev/urandom
cd "$LOOMTAP_RUN" || exit 1
exec >guest.log 2>&1

modules=/usr/lib/uml/modules/$(uname -r)/kernel
insmod "$modules/net/can/can.ko"
insmod "$modules/net/can/can-raw.ko"
insmod "$modules/drivers/net/can/dev/can-dev.ko"
insmod "$modules/drivers/net/can/vcan.ko"
ip link set lo up
make_bus() {
    ip link add dev "$1" type vcan
    ip link set "$1" mtu 72
    ip link set "$1" up
}
for bus in $buses; do
    make_bus "$bus"
done

# Until so many raw sockets listen to everything: the kernel lists the receivers, one line each.
receivers() {
    grep -c ' raw$' /proc/net/can/rcvlist_all
}
wait_receivers() {
    for _ in $(seq 1200); do
        [ "$(receivers)" -ge "$1" ] && return
        sleep 0.05
    done
    echo "only $(receivers) of $1 receivers"
}

power_off() {
    echo done >finished
    sync
    echo o >/proc/sysrq-trigger
    sleep 10
}
