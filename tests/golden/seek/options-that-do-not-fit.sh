# Usage errors: status 2 and one sentence each.
drive="$root/captures/tarn-drive.log"
car="$root/signaldefs/tarn-turbo.ini"
try() { "$loomtap" seek "$@"; echo "status $?"; }
try
try "$drive" --column rpm
try "$drive" --target load
try "$drive" --ref a.csv --marks b.csv --target load
try "$drive" --signal load
try "$drive" --signal nothing -p "$car"
try "$drive" --signal drive_mode -p "$car"
try "$drive" --roles
try "$drive" --roles --only load -p "$car"
try "$drive" --from never
