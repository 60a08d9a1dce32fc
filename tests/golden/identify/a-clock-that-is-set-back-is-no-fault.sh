# the same drive again in one file: its clock goes back by 75 s
cat "$root/captures/tarn-drive.log" "$root/captures/tarn-drive.log" > twice.log
"$loomtap" identify twice.log -l "$root/signaldefs" | head -2
