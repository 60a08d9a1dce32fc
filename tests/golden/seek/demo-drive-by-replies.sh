# What the tester's replies lead to is where the car has it (signaldefs/tarn-turbo.ini).
"$loomtap" seek "$root/captures/tarn-drive.log" --only load,manifold_pressure,throttle,pedal,air_mass_flow \
    --json > found.json
echo "status $?"
cat > show.py <<'P'
import json
for target in json.load(open('found.json'))['targets']:
    best = target['candidates'][0]
    print(target['target'], target['verdict'], best['bus'], '%03X' % best['id'], best['page'], best['bits'],
          best['order'], best['sign'], round(best['scale'], 9), round(best['offset'], 9), best['unit'],
          'sure' if best['confidence'] > 0.95 else 'unsure')
P
python3 show.py
