# The standard parameters: what the car answered is within range, what nobody asked is not exercised.
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$root/signaldefs/obd-ii.ini" | sed 's/profile [0-9a-f]*;/profile HASH;/'
# A library of frames that this car does not have.
"$loomtap" prove "$root/captures/tarn-drive.log" -p "$root/signaldefs/j1939.ini" --quiet | head -4 | sed 's/profile [0-9a-f]*;/profile HASH;/'
