# Cut anywhere, by a pipe or in files, the run is the same.
drive="$root/captures/tarn-drive.log"
profile="$root/signaldefs/tarn-turbo.ini"
head -20000 "$drive" > first.log
tail -n +20001 "$drive" | gzip > second.log.gz
"$loomtap" rehearse "$drive" -p "$profile" --json --quiet > whole.json
"$loomtap" rehearse first.log second.log.gz -p "$profile" --json --quiet > parts.json
cat "$drive" | "$loomtap" rehearse - -p "$profile" --json --quiet -o pipe.json
cmp whole.json parts.json && cmp whole.json pipe.json && echo the same
# A second drive begins anew.
"$loomtap" rehearse first.log first.log -p "$profile" 2>&1 | grep -E "anew|forgotten|^ +[0-9.]+ "
