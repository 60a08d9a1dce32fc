cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame engine_a]
id = 0x0C4
length = 8
counter = 6.3..6.0
checksum = crc8-sae-j1850 over 0..6 in 7
[signal engine_speed]
frame = engine_a
bits = 0.7..1.0
order = motorola
scale = 0.25
unit = rpm
range = 0..9000
[signal mode]
frame = engine_a
bits = 2.1..2.0
values = 0 comfort, 1 sport
X
"$loomtap" encode -p x.ini engine_a engine_speed=1726 mode=sport --count 3
"$loomtap" encode -p x.ini engine_a engine_speed=1726.125
"$loomtap" encode -p x.ini engine_a engine_speed=1726.375
"$loomtap" encode -p x.ini engine_a engine_speed=9001; echo "exit $?"
"$loomtap" encode -p x.ini engine_a mode=wet; echo "exit $?"
"$loomtap" encode -p x.ini engine_a speed=1; echo "exit $?"
"$loomtap" encode -p x.ini engine_b; echo "exit $?"
