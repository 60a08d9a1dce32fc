try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
profile=$root/signaldefs/tarn-turbo.ini
try "no bus" $loomtap watch -p $profile
try "no profile" $loomtap watch can0
try "no such profile" $loomtap watch can0 -p missing.ini
try "half a bus" $loomtap watch can0 -p $profile --bus powertrain
try "a long filter" $loomtap watch can0 -p $profile --show 0123456789012345678901234567890123456789012345678901234567890123456789
