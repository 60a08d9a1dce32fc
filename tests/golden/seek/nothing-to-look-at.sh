# A span, a bus and a file without frames; what cannot be read is status 3.
drive="$root/captures/tarn-drive.log"
try() { "$loomtap" seek "$@" -o out.txt; echo "status $?"; }
try "$drive" --from 500
try "$drive" --bus can7
: > empty.log
try empty.log
try missing.log
