# CRC-8/SAE-J1850 of `00 FF 55 11` is B8 (AUTOSAR Specification of CRC Routines, test vectors).
cat > x.log <<'X'
(0.000000) can0 0A0#00FF5511B8
(0.010000) can0 0A0#00FF5511B8
(0.020000) can0 0A0#00FF5511B9
X
cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame a]
id = 0x0A0
length = 5
checksum = crc8-sae-j1850 over 0..3 in 4
counter = 3.3..3.0
[signal value]
frame = a
bits = 0.7..1.0
order = motorola
X
"$loomtap" decode x.log -p x.ini
"$loomtap" decode x.log -p x.ini --as summary
