"$loomtap" identify "$root/captures/tarn-drive.log" -l "$root/signaldefs"
