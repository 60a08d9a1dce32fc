"$loomtap" prove "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --to 12 | sed 's/profile [0-9a-f]*;/profile HASH;/'
