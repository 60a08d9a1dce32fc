"$loomtap" decode "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" \
    --role engine_speed,load,lambda,drive_mode --as summary
