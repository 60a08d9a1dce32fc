mkdir cars
sed '/^\[frame engine_b\]/,/^\[/s/0x23/0x24/' "$root/signaldefs/tarn-turbo.ini" > cars/other.ini
"$loomtap" identify "$root/captures/tarn-drive.log" -l cars
