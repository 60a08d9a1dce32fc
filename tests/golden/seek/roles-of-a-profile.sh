# Every role that is required is sought, and nothing else, though the profile has no signal yet; what
# nothing measures is said with what to do. The draft has those that were found.
printf '[profile]\nformat = 1\nname = wanted\nrequires = load pedal drive_mode rail_pressure\n' > wanted.ini
"$loomtap" seek "$root/captures/tarn-drive.log" --roles -p wanted.ini --json -o found.json --draft draft.ini
echo "status $?"
python3 -c "
import json
found = json.load(open('found.json'))
for target in found['targets']:
    print(target['target'], target['verdict'])
for missing in found['missing']:
    print(missing['target'], 'missing:', missing['say'])
"
grep requires draft.ini
