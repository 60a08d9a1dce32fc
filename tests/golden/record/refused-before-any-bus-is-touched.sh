try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
try "no bus" $loomtap record
try "no file" $loomtap record can0
try "unknown ending" $loomtap record can0 -o x.unknown
try "key without marks" $loomtap record can0 -o x.log --key s=sport
try "key without label" $loomtap record can0 -o x.log --marks m.csv --key sport
try "note without text" $loomtap record can0 -o x.log --note access
try "excluded identifier" $loomtap record can0 -o x.log --id '!0x100'
try "range upside down" $loomtap record can0 -o x.log --id 0x200..0x100
try "no such profile" $loomtap record can0 -o x.log -p missing.ini
try "polling without arm" $loomtap record can0 -o x.log --poll 0C
try "polling what is no value" $loomtap record can0 -o x.log --poll speedy --arm
try "polling another bus" $loomtap record can0 -o x.log --poll 0C --poll-bus can1 --arm
try "clearing codes" $loomtap record can0 -o x.log --poll 04: --arm
try "arm without polling" $loomtap record can0 -o x.log --arm
try "for what is no role" $loomtap record can0 -o x.log --for speed
try "for a label without marks" $loomtap record can0 -o x.log --for drive_mode
try "for what no reply measures" $loomtap record can0 -o x.log --for wheel_speed_fl
try "leading nowhere" $loomtap record can0 -o x.log --lead
ls
