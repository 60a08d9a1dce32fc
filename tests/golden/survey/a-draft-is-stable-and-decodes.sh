"$loomtap" survey "$root/captures/tarn-drive.log" --draft draft.ini --quiet > /dev/null
"$loomtap" check draft.ini --print --quiet > once.ini
cmp draft.ini once.ini && echo "reading and writing changes nothing"
"$loomtap" decode "$root/captures/tarn-drive.log" -p draft.ini --only x0c4_b0_7 --to 0.45 |
    cut -d, -f2-4 | sort | uniq -c | sed 's/^ *//'
