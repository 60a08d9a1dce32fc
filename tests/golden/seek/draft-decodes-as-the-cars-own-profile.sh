# The draft has no faults, says its evidence, and gives the values that the car's profile gives,
# suspect ones and codes included.
drive="$root/captures/tarn-drive.log"
"$loomtap" seek "$drive" --only load,throttle,pedal --quiet -o table.txt --draft sought.ini
echo "status $?"
"$loomtap" check sought.ini | grep -o 'good, 1 frames, 3 signals'
grep -E '^(name|requires|id|period_ms|counter|checksum|role)' sought.ini
grep -c '^evidence' sought.ini
# Rows with time, bus, signal, value and label; the frame has another name.
rows() { "$loomtap" decode "$drive" -p "$1" --role load,throttle,pedal --quiet | cut -d, -f1,2,4,5,7 | sort; }
rows sought.ini > draft.csv
rows "$root/signaldefs/tarn-turbo.ini" > car.csv
wc -l < draft.csv
cmp draft.csv car.csv && echo the same
