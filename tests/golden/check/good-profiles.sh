for name in tarn-turbo obd-ii j1939; do
    "$loomtap" check --quiet "$root/signaldefs/$name.ini" && echo "$name: good"
done
