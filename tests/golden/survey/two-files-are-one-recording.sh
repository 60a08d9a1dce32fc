"$loomtap" recast "$root/captures/tarn-drive.log" --to 20 -o a.log --quiet
"$loomtap" recast "$root/captures/tarn-drive.log" --from 30 --to 50 -o b.log --quiet
"$loomtap" survey a.log b.log --json --bus can0 --quiet | python3 "$here/keys.py" | sed "s/ moving.*//"
"$loomtap" survey a.log --bus powertrain=can0 --draft draft.ini --quiet > /dev/null
sed -n '/^\[bus/,/^interface/p' draft.ini
