# three variants of one car that differ in a scale alone; the diagnostic replies tell
mkdir cars
cp "$root/signaldefs/tarn-turbo.ini" cars/b-right.ini
sed '/^\[signal engine_speed\]/,/^\[/s/^scale.*/scale = 0.5/' cars/b-right.ini > cars/a-half.ini
sed '/^\[signal load\]/,/^\[/s/^scale.*/scale = 0.2/' cars/b-right.ini > cars/c-load.ini
"$loomtap" identify "$root/captures/tarn-drive.log" -l cars
