ini="$root/signaldefs/tarn-turbo.ini"
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$ini" --json -o old.json
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$ini" --against old.json | grep -A3 '^Since'
sed 's/id        = 0x0C4/id        = 0x0C5/' "$ini" > new.ini
"$loomtap" prove "$root/captures/tarn-drive.log" -p new.ini --against old.json | grep -A3 '^Since'
echo '{"verdict": "proven"}' > no.json
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$ini" --against no.json; echo "exit $?"
echo 'no json' > no.json
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$ini" --against no.json; echo "exit $?"
