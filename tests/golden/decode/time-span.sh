cat > x.log <<'X'
(100.000000) can0 001#01
(101.000000) can0 001#02
(102.000000) can0 001#03
(103.000000) can0 001#04
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
"$loomtap" decode x.log -p x.ini --from 1 --to 102
"$loomtap" decode x.log -p x.ini --from +3
