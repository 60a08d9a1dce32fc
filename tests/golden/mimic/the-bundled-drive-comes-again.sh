"$loomtap" mimic drive --seed 1 -o drive.log --truth truth.csv --truth-every 500ms --quiet &&
cmp drive.log "$root/captures/tarn-drive.log" && cmp truth.csv "$root/captures/tarn-drive.truth.csv" && echo same
