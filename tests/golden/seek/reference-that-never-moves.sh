# Not exercised, with what to drive; neither found nor absent.
i=1
echo 'time_s,rpm' > flat.csv
while [ $i -le 60 ]; do echo "$((1700000000 + i)),900" >> flat.csv; i=$((i + 1)); done
"$loomtap" seek "$root/captures/tarn-drive.log" --ref flat.csv --target engine_speed > table.txt
echo "status $?"
grep -o '^engine_speed: not exercised' table.txt
sed 1,5d table.txt
