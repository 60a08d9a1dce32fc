# Each file is said to be wrong in one sentence, with what to do; the status is that of an input
# that cannot be read, and no answer is given out.
drive="$root/captures/tarn-drive.log"
printf 'a,b,c\n1,2,3\n' > no-time.csv
printf 'time_s,rpm,speed\n1700000001,900,0\n1700000002,950,3\n' > two-columns.csv
printf 'time_s,speed [lux]\n1700000001,900\n1700000002,950\n' > odd-unit.csv
printf 'time_s,rpm\n1700000001,7,5\n1700000002,8,5\n' > stray-commas.csv
printf 'time_s,rpm\n' > header-alone.csv
printf 'time_s,label\n' > no-marks.csv
try() { "$loomtap" seek "$drive" "$@"; echo "status $?"; }
try --ref missing.csv --target engine_speed
try --ref no-time.csv
try --ref two-columns.csv
try --ref two-columns.csv --column torque
try --ref odd-unit.csv --target vehicle_speed
try --ref stray-commas.csv
try --ref header-alone.csv
try --marks missing.csv
try --marks no-marks.csv
