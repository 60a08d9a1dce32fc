# A profile of many parameters before one of frames, and after it: the same rows.
car="$root/signaldefs/tarn-turbo.ini" obd="$root/signaldefs/obd-ii.ini"
for form in csv jsonl; do
    "$loomtap" decode "$root/captures/tarn-drive.log" -p "$obd" -p "$car" --as $form | sort > one &&
    "$loomtap" decode "$root/captures/tarn-drive.log" -p "$car" -p "$obd" --as $form | sort > two &&
    [ "$(wc -l < one)" -gt 200000 ] && cmp one two && echo "$form: same"
done
"$loomtap" decode "$root/captures/tarn-drive.log" -p "$obd" -p "$car" --as summary --role drive_mode | tail -2
