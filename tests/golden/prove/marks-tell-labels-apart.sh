ini="$root/signaldefs/tarn-turbo.ini"
printf 'time_s,label\n1700000000.5,comfort\n1700000026.2,sport\n1700000040.8,wet\n1700000054.2,comfort\n' > marks.csv
sed 's/0 comfort, 1 sport, 2 wet/1 comfort, 0 sport, 2 wet/' "$ini" > swapped.ini
for profile in "$ini" swapped.ini; do
    "$loomtap" prove "$root/captures/tarn-drive.log" -p $profile --marks marks.csv --json --quiet | python3 -c "
import json, sys
print([(c['verdict'], c['measured'], c['say']) for c in json.load(sys.stdin)['claims'] if c['id'] == 'marks'])"; done
