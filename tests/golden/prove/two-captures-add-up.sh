ini="$root/signaldefs/tarn-turbo.ini"
"$loomtap" recast "$root/captures/tarn-drive.log" -o a.log --to 24 --quiet
"$loomtap" recast "$root/captures/tarn-drive.log" -o b.log --from 24.0001 --quiet
for files in a.log b.log "a.log b.log" "b.log a.log"; do
    "$loomtap" prove $files -p "$ini" --quiet | head -1; done
"$loomtap" prove a.log b.log -p "$ini" --json --quiet -o ab.json
"$loomtap" prove b.log a.log -p "$ini" --json --quiet -o ba.json
python3 -c "
import json
verdicts = [{(c['id'], c['subject']): c['verdict'] for c in json.load(open(f))['claims']} for f in ('ab.json', 'ba.json')]
print('order does not matter' if verdicts[0] == verdicts[1] else 'order matters')"
