"$loomtap" rehearse "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --quiet \
    --from 30 --to 33.1 --frames | head -30
echo
"$loomtap" rehearse "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --quiet \
    --from 58 --to 59.2 --json
