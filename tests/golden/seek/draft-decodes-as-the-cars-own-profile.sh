# The draft has no faults, says its evidence, and gives the values that the car's profile gives,
# counters and checksums and all.
drive="$root/captures/tarn-drive.log"
"$loomtap" seek "$drive" --only load,throttle,pedal --quiet -o table.txt --draft sought.ini
echo "status $?"
"$loomtap" check sought.ini | grep -o 'good, 1 frames, 3 signals'
grep -E '^(name|requires|id|period_ms|counter|checksum|role)' sought.ini
grep -c '^evidence' sought.ini
for profile in sought.ini "$root/signaldefs/tarn-turbo.ini"; do
    "$loomtap" decode "$drive" -p "$profile" --role load,throttle,pedal --quiet | cut -d, -f1,2,4- | sort > "$(basename "$profile").csv"
done
wc -l < sought.ini.csv
cut -d, -f1-4,6 sought.ini.csv > a.csv
cut -d, -f1-4,6 tarn-turbo.ini.csv > b.csv
python3 - <<'P'
rows = [{(r[0], r[2]): r[3:] for r in (line.rstrip('\n').split(',') for line in open(name))} for name in ('a.csv', 'b.csv')]
same = sum(1 for key in rows[0] if key in rows[1] and rows[0][key] == rows[1][key])
print('the same' if same == len(rows[0]) == len(rows[1]) else f'{same} of {len(rows[0])} and {len(rows[1])} rows are the same')
for key in list(rows[0])[:0]:
    print(key)
P
