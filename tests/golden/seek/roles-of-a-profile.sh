# Every role that is required is sought; what nothing measures is said with what to do.
printf '[profile]\nformat = 1\nname = wanted\nrequires = load pedal drive_mode rail_pressure\n' > wanted.ini
"$loomtap" check wanted.ini > check.txt 2>&1
"$loomtap" seek "$root/captures/tarn-drive.log" --roles -p wanted.ini --json -o found.json --draft draft.ini
echo "status $?"
