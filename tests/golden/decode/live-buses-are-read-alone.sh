profile=$root/signaldefs/tarn-turbo.ini
try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
try "two live buses as two captures" $loomtap decode can:can0 can:can1 -p $profile
try "a live bus and a file" $loomtap decode $root/captures/tarn-drive.log can:can0 -p $profile
try "a duration without a bus" $loomtap decode $root/captures/tarn-drive.log --duration 5 -p $profile
try "the same of every command" $loomtap survey $root/captures/tarn-drive.log --duration 5
try "seek" $loomtap seek can:can0 can:can1
try "prove" $loomtap prove can:can0 can:can1 -p $profile
try "rehearse" $loomtap rehearse can:can0 can:can1 -p $profile
try "recast" $loomtap recast can:can0 can:can1 -o x.log
# A file of that name is a file.
printf '(1.000000) can0 7E8#04410C1AF8\n' >can:can0
try "a file named like a bus" $loomtap decode can:can0 -p $root/signaldefs/obd-ii.ini
