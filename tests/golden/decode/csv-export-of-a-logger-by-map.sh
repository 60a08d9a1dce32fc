cat > car.ini <<'INI'
[profile]
format = 1
name = car
[frame engine]
id = 0x0C4
length = 8
[signal engine_speed]
frame = engine
bits = 0.7..1.0
order = motorola
scale = 0.25
unit = rpm
INI
printf 'Logger 3\nTime;Channel;ID;D0;D1;D2;D3;D4;D5;D6;D7\n12,5;1;0C4;0F;A0;0;0;0;0;0;0\n13;1;0C4;1F;40;0;0;0;0;0\n22,5;1;0C4;1F;40;0;0;0;0;0;0\n' > export.csv
$loomtap decode export.csv -p car.ini --columns time=Time,unit=ms,id=ID:hex,data=D0..D7,bus=Channel
echo "- a wrong map"
$loomtap decode export.csv -p car.ini --columns speed=Time
echo "- no map"
$loomtap decode export.csv -p car.ini
