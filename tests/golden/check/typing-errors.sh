cat > x.ini <<'X'
[profile]
format = 1
name = x
requires = engine_speed

[frame engine_a]
id = 0x0C4
lenght = 8

[signal engine_speed]
frame = engine_b
bits = 0.7..1.0
order = intel
scale = 0,25
unit = rmp
role = engine_speed
X
"$loomtap" check x.ini
