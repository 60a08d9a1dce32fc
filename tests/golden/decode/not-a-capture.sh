"$loomtap" decode "$root/signaldefs/tarn-turbo.ini" -p "$root/signaldefs/tarn-turbo.ini"
