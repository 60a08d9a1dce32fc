printf '[profile]\nformat = 1\nname = clash\n[bus b]\n[frame f]\nbus = b\nid = 0x1C0\nlength = 8\n[signal gear]\nframe = f\nbits = 2.3..2.0\n' > clash.ini
printf '[frame out]\nbus = b\nid = 0x280\nlength = 8\nperiod_ms = 100\ndirection = send\n[signal lamp]\nframe = out\nbits = 0.0\n' >> clash.ini
printf '[warning w]\nwhen = gear == 2\nsend = out lamp=1\n' >> clash.ini
"$loomtap" rehearse "$root/captures/tarn-drive.log" -p clash.ini --bus b=can1 > /dev/null
