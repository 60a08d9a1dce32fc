# A tool asks a controller on identifiers of the maker's own while a logger records engine speed: the
# answers follow it perfectly, and are no signal of the car's.
"$loomtap" decode "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --as grid --every 500ms \
    --role engine_speed --quiet -o rpm.csv
python3 - "$root/captures/tarn-drive.log" <<'P'
import sys
lines = [line.strip() for line in open(sys.argv[1]) if line.strip()]
for row in open('rpm.csv').read().split()[1:]:
    time, rpm = row.split(',')
    if rpm:
        time = float(time) + 0.003
        lines.append(f'({time:.6f}) can0 7B0#0322F41000000000')
        lines.append(f'({time + 0.001:.6f}) can0 7B8#0562F410{int(float(rpm) * 4):04X}0000')
lines.sort(key=lambda line: float(line[1:line.index(')')]))
open('both.log', 'w').write('\n'.join(lines) + '\n')
P
"$loomtap" seek both.log --ref rpm.csv --target engine_speed --json -o found.json
echo "status $?"
python3 -c "
import json
target = json.load(open('found.json'))['targets'][0]
print(target['verdict'], '%03X' % target['candidates'][0]['id'])
print([c['id'] for c in target['candidates'] if c['id'] in (0x7B0, 0x7B8, 0x7E8, 0x7DF, 0x7E0)])
"
