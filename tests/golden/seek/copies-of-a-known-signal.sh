# The car sends engine speed once more, coarser, on its other bus; where it was read from is no news.
"$loomtap" seek "$root/captures/tarn-drive.log" --signal engine_speed -p "$root/signaldefs/tarn-turbo.ini" \
    --json > found.json
echo "status $?"
python3 -c "
import json
target = json.load(open('found.json'))['targets'][0]
best = target['candidates'][0]
print(target['target'], target['reference'], target['verdict'], best['bus'], '%03X' % best['id'], best['bits'])
print(any(c['bus'] == 'can0' and c['id'] == 0xC4 for c in target['candidates']))
"
