drive="$root/captures/tarn-drive.log"
profile="$root/signaldefs/tarn-turbo.ini"
try() { "$loomtap" rehearse "$@" > /dev/null; echo "exit $?"; }
try -p "$profile"
try "$drive"
try "$drive" -p "$profile" -p "$profile"
try "$drive" -p "$profile" --json --frames
try "$drive" -p "$profile" --bus engine=can0
try "$drive" -p "$profile" --quiet --expect nowhere.expect
echo "1 nonsense on" > wrong.expect
try "$drive" -p "$profile" --quiet --expect wrong.expect
try "$drive" -p "$root/signaldefs/obd-ii.ini" --quiet
try "$drive" -p "$profile" --quiet --from 9000
try "$drive" -p "$profile" --quiet --bus powertrain=can1 --bus chassis=can0
try nowhere.log -p "$profile"
try "$drive" -p "$profile" --quiet -o no/folder/out.txt
printf '[profile]\nformat = 1\nname = x\n[frame f]\nid = 0x0C4\nlength = 8\n[signal a]\nframe = f\nbits = 0.0\n[warning w]\nwhen = 1 / age(a) > 3\nlimp = yes\n' > age.ini
try "$drive" -p age.ini --quiet
