cat > x.log <<'X'
(1700000000.000000) can0 0C4#1AF8
(1700000000.010000) can0 0C4#1AF
(1700000000.020000) can0 0C4#1AGG
(170000x000.030000) can0 0C4#1AF8
(1700000000.040000) can0 0C4#1AF8
X
cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame engine_a]
id = 0x0C4
length = 8
[signal engine_speed]
frame = engine_a
bits = 0.7..1.0
order = motorola
scale = 0.25
unit = rpm
role = engine_speed
X
"$loomtap" decode x.log -p x.ini
