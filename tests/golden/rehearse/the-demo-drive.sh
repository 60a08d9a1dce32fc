# What happens in it is told in captures/README.md: rail pressure low, lean under load and flow low
# at 30 s, pump open circuit at 58.5 s, the tank sloshing, buses asleep at both ends.
"$loomtap" rehearse "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini"
