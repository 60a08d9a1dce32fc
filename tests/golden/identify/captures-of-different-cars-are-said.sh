# another car's capture beside the demo car's: by name, and in one file
"$loomtap" mimic random --seed 7 --duration 10 -o other.log --quiet
"$loomtap" identify "$root/captures/tarn-drive.log" other.log -l "$root/signaldefs"
echo "exit $?"
