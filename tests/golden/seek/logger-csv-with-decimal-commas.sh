# A logger's table with decimal commas, with its unit in the header, a gap and a faulty
# row: the row is counted, and the answer is where the car has it (signaldefs/tarn-turbo.ini).
"$loomtap" decode "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --as grid --every 250ms \
    --role vehicle_speed --quiet -o grid.csv
python3 - <<'P'
rows = [line.rstrip('\n').split(',') for line in open('grid.csv')]
column = next(i for i, name in enumerate(rows[0]) if 'speed' in name)
with open('logger.csv', 'w') as out:
    out.write('time_s;"v [mph]";note\n')
    for n, row in enumerate(rows[1:]):
        if not row[column] or 80 <= n < 100:
            continue
        speed = f'{float(row[column]) / 1.609344:.2f}' if n != 7 else 'fault'
        out.write(f'{row[0]};{speed};x\n'.replace('.', ','))
P
"$loomtap" seek "$root/captures/tarn-drive.log" --ref logger.csv --column v --target vehicle_speed --json -o found.json
echo "status $?"
python3 -c "
import json
target = json.load(open('found.json'))['targets'][0]
best = target['candidates'][0]
print(target['target'], target['verdict'], best['unit'])
print(any(c['id'] == 0x280 and c['bits'] == '0.5..1.0' and abs(c['scale'] - 0.01) < 1e-9 for c in target['candidates']))
"
