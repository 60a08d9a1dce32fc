# A logger that counts from its own start, 7.25 s after the recording's, and whose clock says nothing
# of the day: the offset is found, and the signal where the car has it (signaldefs/tarn-turbo.ini).
"$loomtap" decode "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --as grid --every 250ms \
    --role engine_speed --quiet -o grid.csv
python3 - <<'P'
rows = [line.split(',') for line in open('grid.csv').read().split()[1:]]
with open('logger.csv', 'w') as out:
    out.write('time_s,speed [rpm]\n')
    for time, rpm in rows:
        if rpm and float(time) > 1700000007.25:
            out.write(f'{float(time) - 1700000007.25:.3f},{rpm}\n')
P
"$loomtap" seek "$root/captures/tarn-drive.log" --ref logger.csv --target engine_speed --json --html page.html -o found.json
echo "status $?"
python3 -c "
import json
target = json.load(open('found.json'))['targets'][0]
best = target['candidates'][0]
print(target['verdict'], '%03X' % best['id'], best['scale'], best['unit'])
print('clock and lag together are right:', abs(target['clock_s'] + best['lag_s'] + 1700000007.25) < 0.05)
"
grep -o 'behind the recording' page.html
