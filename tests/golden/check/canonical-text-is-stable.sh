for name in tarn-turbo obd-ii j1939; do
    "$loomtap" check --print "$root/signaldefs/$name.ini" > once.ini &&
    "$loomtap" check --print once.ini > twice.ini && cmp once.ini twice.ini && echo "$name: stable"
done
