mkdir empty cars cars/more parts
say() { echo "exit $?"; }
echo "-- an empty folder"
"$loomtap" identify "$root/captures/tarn-drive.log" -l empty 2>&1; say
echo "-- no folder"
"$loomtap" identify "$root/captures/tarn-drive.log" -l missing 2>&1; say
echo "-- a profile with faults, one that is none, a part, one in a folder below"
cp "$root/signaldefs/tarn-turbo.ini" cars/more/tarn.ini
sed 's/^bits .*/bits = 9.9..0.0/' cars/more/tarn.ini > cars/faulty.ini
echo "no profile at all" > cars/garbage.ini
printf '[signal extra]\nframe = engine_a\nbits = 0.0\n' > cars/part.ini
echo "not looked at" > cars/readme.txt
"$loomtap" identify "$root/captures/tarn-drive.log" -l cars 2>&1 | grep -v '^    '; say
"$loomtap" identify "$root/captures/tarn-drive.log" -l cars --quiet > answer 2>&1; say
echo "-- a capture without a frame that any profile claims"
for i in 1 2 3 4 5 6 7 8 9; do echo "(1.$i) can0 7FA#0102"; done > strange.log
"$loomtap" identify strange.log -l cars/more; say
echo "-- an empty capture"
: > none.log
"$loomtap" identify none.log -l cars/more 2>&1; say
echo "-- no capture"
"$loomtap" identify missing.log -l cars/more 2>&1; say
