# the same but for a title
mkdir cars
cp "$root/signaldefs/tarn-turbo.ini" cars/one.ini
sed 's/^title.*/title = The same/' cars/one.ini > cars/two.ini
"$loomtap" identify "$root/captures/tarn-drive.log" -l cars
