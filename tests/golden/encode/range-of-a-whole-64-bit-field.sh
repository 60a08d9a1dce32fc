cat > x.ini <<'X'
[profile]
format = 1
name = x
[frame a]
id = 1
length = 8
[signal total]
frame = a
bits = 7.7..0.0
order = intel
range = 0..18446744073709551615
X
"$loomtap" encode -p x.ini a total=18446744073709551615
"$loomtap" encode -p x.ini a total=18446744073709551616
X=$?
"$loomtap" check --print x.ini
exit $X
