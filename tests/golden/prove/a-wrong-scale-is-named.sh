sed '/^\[signal engine_speed\]/,/^$/s/^scale .*/scale = 0.5/' "$root/signaldefs/tarn-turbo.ini" > wrong.ini
"$loomtap" prove "$root/captures/tarn-drive.log" -p wrong.ini | sed 's/profile [0-9a-f]*;/profile HASH;/'
"$loomtap" prove "$root/captures/tarn-drive.log" -p wrong.ini --json -o proof.json; echo "exit $?"
python3 -c "
import json
proof = json.load(open('proof.json'))
print(list(proof), proof['verdict'])
print([claim for claim in proof['claims'] if claim['verdict'] == 'contradicted'])"
