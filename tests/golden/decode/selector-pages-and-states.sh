cat > x.log <<'X'
(0.000000) can0 123#0164FF
(0.100000) can0 123#0265FF
(0.200000) can0 123#01FFFF
(0.300000) can0 123#02FE
(0.400000) can0 123#03
X
cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame mixed]
id = 0x123
length = 3
[signal kind]
frame = mixed
bits = 0.7..0.0
[signal first]
frame = mixed
bits = 1.7..1.0
page = kind 1
unavailable = 0xFF
offset = -40
unit = °C
[signal second]
frame = mixed
bits = 1.7..1.0
page = kind 2
error = 0xFE
[signal tail]
frame = mixed
bits = 2.7..2.0
values = 255 on, 0 off
X
"$loomtap" decode x.log -p x.ini
"$loomtap" decode x.log -p x.ini --as jsonl --only first
"$loomtap" decode x.log -p x.ini --as grid --every 100ms
"$loomtap" decode x.log -p x.ini --as summary
