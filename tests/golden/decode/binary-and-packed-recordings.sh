cat > x.log <<'X'
(1700000000.123456) can0 001#01
(1700000000.123456789) can1 001#02
(1700000000.223456) can0 001##5AABB T
(1700000000.323456) can0 001#R4
(1700000000.423456) can0 001#04
X
cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame a]
id = 1
length = 1
[signal value]
frame = a
bits = 0.7..0.0
X
# There and back, packed: nothing is lost.
"$loomtap" recast x.log -o x.pcapng.zst
"$loomtap" recast - -o back.log < x.pcapng.zst
cmp x.log back.log && echo same
"$loomtap" decode x.pcapng.zst -p x.ini
# pcap has no names: that is said.
"$loomtap" recast x.log -o x.pcap
"$loomtap" decode x.pcap -p x.ini
# Cut at the end: read up to the cut.
"$loomtap" recast x.log -o x.pcapng
head -c 250 x.pcapng > cut.pcapng
"$loomtap" decode cut.pcapng -p x.ini --as summary
"$loomtap" decode cut.pcapng -p x.ini --strict --as csv
echo "exit $?"
head -c 60 x.pcapng.zst > cut.zst
"$loomtap" decode cut.zst -p x.ini
echo "exit $?"
# Ethernet in pcap.
printf '\324\303\262\241\2\0\4\0\0\0\0\0\0\0\0\0\0\0\4\0\1\0\0\0' > ethernet.pcap
"$loomtap" decode ethernet.pcap -p x.ini
echo "exit $?"
