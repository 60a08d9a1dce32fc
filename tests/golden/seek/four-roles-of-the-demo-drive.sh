# Engine speed, load and lambda by the tester's replies, drive mode by a passenger's marks, where the
# car has them (signaldefs/tarn-turbo.ini). The drive visits two of its modes once only: that is said,
# and the field that fits so far is the right one. A field may be found short of low bits that no
# reply shows: then its scale is that of the lowest bit found.
printf 'time_s,label\n1700000001.2,comfort\n1700000026.3,sport\n1700000040.9,wet\n1700000054.1,comfort\n' > marks.csv
"$loomtap" seek "$root/captures/tarn-drive.log" --roles -p "$root/signaldefs/tarn-turbo.ini" --marks marks.csv \
    --json -o found.json
echo "status $?"
python3 - <<'P'
import json
LOW = {'engine_speed': ('1.0', '0.7'), 'load': ('4.2', '5.3'), 'lambda': ('2.0', '3.7'), 'drive_mode': ('3.4', '3.6')}


def place(text, order):
    byte, bit = map(int, text.split('.'))
    return 8 * (-byte if order == 'motorola' else byte) + bit


for target in json.load(open('found.json'))['targets']:
    best, name = target['candidates'][0], target['target']
    ends = best['bits'].split('..')
    missing = place(ends[-1], best['order']) - place(LOW[name][0], best['order'])
    above = place(LOW[name][1], best['order']) - place(ends[0], best['order'])
    print(name, target['verdict'], best['bus'], '%03X' % best['id'], best['order'], best['sign'],
          'low bits:', 'all' if missing == 0 else 'nearly all' if 0 < missing <= 4 else missing,
          'high bits:', 'those that move' if 0 <= above <= 3 else above,
          'scale', best['scale'] and round(best['scale'] / 2 ** missing, 9), 'offset', best['offset'] and round(best['offset'], 6),
          best['values'] and [(value['raw'], value['label']) for value in best['values']])
P
